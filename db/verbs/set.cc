#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "db/basis/ask.h"
#include "db/care/pictures.h"
#include "db/care/shown.h"
#include "db/exchange/csv_in.h"
#include "db/verbs/verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

void forget_fields(const Arguments& arguments, Part& part) {
  for (const std::string& field : arguments.texts("forget")) {
    if (part.fields.erase(field) == 0)
      throw Error(Fault::kInput, fmt::format("the {} '{}' has no {} to forget.",
                                             part_kind_name(part.kind), part.name, field));
  }
}

// Options that put an ended run right.
void add_mending_options(po::options_description& options) {
  options.add_options()("aside", po::value<std::string>()->value_name("REASON"),
                        "leave the run out of fits and report, which name it")(
      "no-aside", po::bool_switch(), "use the run again")(
      "kind", po::value<std::string>()->value_name(run_kind_choices()),
      "what was measured, where it was entered wrongly");
}

// A switch has a value from the start.
bool is_given(const Arguments& arguments, const std::string& option) {
  return option == "no-aside" ? arguments.flag(option) : arguments.has(option);
}

// Options of runs that a part does not have, and the other way round, must not be taken in silence.
bool option_fits(const std::string& first_word, const std::string& option) {
  po::options_description of_runs, common, of_parts;
  add_run_options(of_runs);
  add_mending_options(of_runs);
  add_common_options(common);
  add_field_options(of_parts);
  const bool for_all =
      common.find_nothrow(option, false) || option == "note" || option == "picture";
  const bool of_run = of_runs.find_nothrow(option, false);
  const bool has_events = first_word == "motor" || first_word == "machine" || first_word == "belt";
  if (option == "event") return has_events;
  if (option == "on") return has_events || first_word == "run";
  if (first_word == "run") return of_run || for_all;
  return of_parts.find_nothrow(option, false) ? field_fits(first_word, option) : for_all || !of_run;
}

void require_changes(const Arguments& arguments, const std::string& first_word) {
  bool any = false;
  const Verb verb = set_verb();
  for (const auto& option : verb.options.options()) {
    const std::string& name = option->long_name();
    if (name == "book" || name == "json" || name == "yes" || !is_given(arguments, name)) continue;
    if (!option_fits(first_word, name))
      throw Error(Fault::kInput,
                  fmt::format("a {0} has no --{1}; 'loadline-db set {0} --help' shows what it has.",
                              first_word, name));
    any = true;
  }
  if (!any)
    throw Error(Fault::kInput, fmt::format("nothing is given that could change; 'loadline-db set "
                                           "{} --help' shows the options.",
                                           first_word));
}

// Puts the event of --event and --on down. False when there is none.
bool take_event(const Arguments& arguments, Book& book, const Part& part) {
  const auto what = arguments.text("event"), on = arguments.text("on");
  if (!what && !on) return false;
  if (!what || !on)
    throw Error(Fault::kInput, "--event and --on go together: --event 'oiled' --on 2026-03-01.");
  book.add_part_event({"", part.kind, part.id, *on, *what, ""});
  return true;
}

// Motors with their pedal held name the motor that they are.
void rename_pedals(Book& book, const std::string& old_name, const std::string& name) {
  for (Part motor : book.parts(PartKind::kMotor)) {
    if (motor.text("pedal-of") != old_name) continue;
    motor.fields["pedal-of"] = name;
    book.update(motor);
  }
}

void take_picture(const Arguments& arguments, Book& book, const std::string& uuid) {
  if (const auto path = arguments.text("picture")) add_picture(book, uuid, read_picture(*path));
}

int set_part(const Arguments& arguments, PartKind kind) {
  Book book = Book::open(arguments.book_path(), Book::Mode::kWrite);
  Part part =
      book.get(kind, arguments.name(1, fmt::format("the name of the {}", part_kind_name(kind))));
  const std::string old_name = part.name;
  forget_fields(arguments, part);
  take_fields(arguments, part);
  take_note(arguments, part.note);
  if (const auto name = arguments.text("name")) part.name = *name;
  require_distinct_name(book, arguments, part);
  Book::Transaction transaction(book);
  book.update(part);
  if (kind == PartKind::kMotor && part.name != old_name) rename_pedals(book, old_name, part.name);
  take_event(arguments, book, part);
  take_picture(arguments, book, part.uuid);
  transaction.commit();
  say(arguments, fmt::format("Changed {} '{}'{}.", part_kind_name(kind), old_name,
                             part.name == old_name ? "" : ", now '" + part.name + "'"));
  if (arguments.json()) {
    Json out = {{"kind", part_kind_name(kind)}};
    out.update(part_json(book.part(kind, part.id)));
    print_json(out);
  }
  return 0;
}

void take_mending(const Arguments& arguments, Run& run) {
  const auto reason = arguments.text("aside");
  if (reason && arguments.flag("no-aside"))
    throw Error(Fault::kInput, "--aside and --no-aside exclude each other; choose one.");
  if (reason && reason->find_first_not_of(' ') == std::string::npos)
    throw Error(Fault::kInput, "--aside needs its reason; --no-aside uses the run again.");
  if (reason) run.aside = *reason;
  if (arguments.flag("no-aside")) run.aside.clear();
  if (!arguments.has("kind")) return;
  run.kind = needed_run_kind(arguments);
  if (run.steady) require_steady_kind(run.kind);
}

// What a fit will miss now that the run is of another kind.
void warn_of_missing(const Run& run) {
  const std::string missing = missing_words(run);
  if (!missing.empty())
    warn(
        fmt::format("no fit will find run {0}, because a {1} run needs {2}; complete it: "
                    "loadline-db set run {0} {2} …",
                    run.id, run_kind_name(run.kind), missing));
}

int set_run(const Arguments& arguments) {
  Book book = Book::open(arguments.book_path(), Book::Mode::kWrite);
  Run run = book.run(run_number(arguments.name(1, "the number of the run")));
  take_run_options(book, arguments, run);
  take_mending(arguments, run);
  Book::Transaction transaction(book);
  book.update_run(run);
  take_picture(arguments, book, run.uuid);
  transaction.commit();
  if (arguments.has("kind")) warn_of_missing(run);
  say(arguments,
      fmt::format("Changed run {}; fit its curve again when it was fitted before.", run.id));
  if (arguments.json()) print_json(run_json(book.run(run.id), PartNames(book)));
  return 0;
}

int run_set(const Arguments& arguments) {
  const std::string& word = arguments.name(0, "what to change (a kind of part, or run)");
  if (word == "run") {
    arguments.name(1, "the number of the run");
    require_changes(arguments, word);
    return set_run(arguments);
  }
  const PartKind kind = part_kind_of(word);
  arguments.name(1, fmt::format("the name of the {}", part_kind_name(kind)));
  require_changes(arguments, part_kind_name(kind));
  return set_part(arguments, kind);
}

// `set` takes the fields of parts and the conditions of runs; what both have is one option.
void add_missing(po::options_description& options, const po::options_description& more) {
  for (const auto& option : more.options())
    if (!options.find_nothrow(option->long_name(), false)) options.add(option);
}

}  // namespace

Verb set_verb() {
  Verb verb{
      "set",
      "KIND NAME | run NUMBER",
      "change fields of a part, or the conditions of a run",
      "Only the fields that are given change. What a run measured never changes; its kind, what "
      "was mounted and its conditions can be put right, and it can be put aside; 'show run' "
      "tells what stood there before. --event puts down what was done to a part. A picture of a "
      "part or run is copied into the book (PNG or JPEG, at most 2 MB); the report shows it.",
      "loadline-db set motor \"Drawer 3\" --max-rpm 9000 --forget rated-a\n"
      "loadline-db set run 7 --supply-v 231\n"
      "loadline-db set run 8 --aside \"the belt came off\"\n"
      "loadline-db set machine Wren --event oiled --on 2026-03-01",
      2,
      po::options_description("Options"),
      run_set};
  po::options_description run_options;
  add_run_options(run_options);
  add_mending_options(run_options);
  add_field_options(verb.options, &run_options);
  add_missing(verb.options, run_options);
  verb.options.add_options()("name", po::value<std::string>()->value_name("NAME"),
                             "a new name for the part")(
      "forget", po::value<std::vector<std::string>>()->composing()->value_name("FIELD"),
      "a field that is to be unknown again; may be given several times")(
      "event", po::value<std::string>()->value_name("WORDS"),
      "something that was done to the motor, machine or belt on the day that --on says")(
      "picture", po::value<std::string>()->value_name("FILE"),
      "a picture of it to keep in the book, beside those that are there");
  add_yes_option(verb.options);
  add_common_options(verb.options);
  verb.first_words = "rig motor machine pulley belt run";
  verb.names_from = "first word";
  verb.option_fits = option_fits;
  return verb;
}

}  // namespace loadline
