#include <nlohmann/json.hpp>

#include "fit/history/history.h"
#include "fit/verbs/verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

Part subject_of(const Book& book, const Arguments& arguments) {
  std::optional<Part> subject;
  for (const PartKind kind : {PartKind::kMotor, PartKind::kMachine, PartKind::kBelt}) {
    const auto name = arguments.text(part_kind_name(kind));
    if (!name) continue;
    if (subject)
      throw Error(Fault::kInput, "a history is of one subject: give --motor, --machine or --belt.");
    subject = book.get(kind, *name);
  }
  if (!subject)
    throw Error(Fault::kInput, "whose history? Give --motor M, --machine K or --belt B.");
  return *subject;
}

int run_history(const Arguments& arguments) {
  const Book book = Book::open(arguments.book_path(), Book::Mode::kRead);
  const History history = history_of(book, subject_of(book, arguments));
  if (arguments.json())
    print_json(to_json(history));
  else
    say(arguments, to_text(history));
  for (const std::string& warning : history.warnings) warn(warning);
  return 0;
}

}  // namespace

Verb history_verb() {
  Verb verb;
  verb.name = "history";
  verb.words = "--motor M | --machine K | --belt B";
  verb.summary = "show one subject over its sessions: scatter, trend, changes";
  verb.description =
      "The main figure of every session with its 95 % limits: a motor's peak power, a machine's\n"
      "drag at its usual top speed (the median of the highest speeds that its runs saw), a belt's\n"
      "top speed against that of the other belts. Runs belong to a session by date and rig, or by\n"
      "the label that 'loadline-db set run N --session LABEL' gives them; a label that begins\n"
      "with a date, as 2026-03-01, tells the day as well. Events of 'loadline-db set … --event'\n"
      "are compared before and after; a session on the day of an event counts as after it.\n"
      "A change that nobody entered is looked for where three sessions or more lie on either side.";
  verb.example =
      "loadline-fit history --machine \"Parlour machine\"\nloadline-fit history --motor M1 --json";
  verb.most_names = 0;
  verb.options.add_options()("motor", po::value<std::string>()->value_name("M"), "a motor")(
      "machine", po::value<std::string>()->value_name("K"), "a machine")(
      "belt", po::value<std::string>()->value_name("B"), "a belt");
  add_common_options(verb.options);
  verb.run = run_history;
  return verb;
}

}  // namespace loadline
