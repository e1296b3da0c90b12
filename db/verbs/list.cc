#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "db/basis/text_table.h"
#include "db/basis/units.h"
#include "db/care/shown.h"
#include "db/store/book_state.h"
#include "db/verbs/verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

std::int64_t count_of(const Book& book, const char* table) {
  Statement count(book.handle(), fmt::format("SELECT count(*) FROM {}", table));
  count.step();
  return count.whole(0);
}

std::string field_words(const Part& part) {
  std::string out;
  for (const PartField& field : part_fields(part.kind)) {
    const auto found = part.fields.find(field.name);
    if (found == part.fields.end()) continue;
    if (!out.empty()) out += ", ";
    out += field.name;
    out += " ";
    out += field.type == PartField::Type::kNumber
               ? fmt::format("{}", std::get<double>(found->second))
               : std::get<std::string>(found->second);
  }
  return out;
}

int list_parts(const Book& book, const Arguments& arguments, PartKind kind) {
  const std::vector<Part> parts = book.parts(kind);
  if (arguments.flag("names")) {
    for (const Part& part : parts) say(arguments, part.name);
    return 0;
  }
  Json array = Json::array();
  std::vector<std::vector<std::string>> rows;
  for (const Part& part : parts) {
    array.push_back(part_json(part));
    rows.push_back({part.name, field_words(part)});
  }
  const std::string plural = std::string(part_kind_name(kind)) + "s";
  if (arguments.json())
    print_json({{plural, array}});
  else if (rows.empty())
    say(arguments, fmt::format("No {} in {} yet.", plural, book.path()));
  else
    say(arguments, text_table(rows));
  return 0;
}

RunFilter filter_of(const Book& book, const Arguments& arguments) {
  RunFilter filter;
  filter.with_open = true;
  if (const auto kind = arguments.text("kind")) {
    filter.kind = run_kind_from_name(*kind);
    if (!filter.kind) throw Error(Fault::kInput, unknown_run_kind(*kind));
  }
  const std::pair<PartKind, std::optional<std::int64_t>*> references[] = {
      {PartKind::kMotor, &filter.motor},
      {PartKind::kMachine, &filter.machine},
      {PartKind::kBelt, &filter.belt},
      {PartKind::kRig, &filter.rig}};
  for (const auto& [part, into] : references)
    if (const auto name = arguments.text(part_kind_name(part))) *into = book.get(part, *name).id;
  return filter;
}

int list_runs(const Book& book, const Arguments& arguments) {
  if (arguments.flag("names")) {
    for (const Run& run : book.runs(filter_of(book, arguments)))
      say(arguments, std::to_string(run.id));
    return 0;
  }
  const PartNames names(book);
  Json array = Json::array();
  std::vector<std::vector<std::string>> rows = {
      {"run", "kind", "state", "started", "samples", "motor", "machine", "belt"}};
  for (const Run& run : book.runs(filter_of(book, arguments))) {
    if (arguments.json())
      array.push_back(run_json(run, names));
    else
      rows.push_back({std::to_string(run.id), run_kind_name(run.kind),
                      run.aside.empty() ? run_state_name(run.state) : "put aside", run.started_utc,
                      std::to_string(run.sample_count), names.of(PartKind::kMotor, run.motor),
                      names.of(PartKind::kMachine, run.machine),
                      names.of(PartKind::kBelt, run.belt)});
  }
  if (arguments.json())
    print_json({{"runs", array}});
  else
    say(arguments, rows.size() == 1 ? "No such run in " + book.path() + "." : text_table(rows));
  return 0;
}

// A damaged curve stays in the book when it is fitted again; it must not hide the others for ever.
std::vector<StoredCurve> curves_that_read(const Book& book) {
  std::vector<StoredCurve> curves;
  for (const std::int64_t id : row_numbers(book.handle(), "curve")) {
    try {
      curves.push_back(curve_of_number(book, id));
    } catch (const Damaged& damage) {
      warn(damage.what());
    }
  }
  return curves;
}

int list_curves(const Book& book, const Arguments& arguments) {
  if (arguments.flag("names")) {
    for (const std::int64_t id : row_numbers(book.handle(), "curve"))
      say(arguments, std::to_string(id));
    return 0;
  }
  const PartNames names(book);
  Json array = Json::array();
  std::vector<std::vector<std::string>> rows = {{"curve", "of", "model", "from", "made"}};
  for (const StoredCurve& curve : curves_that_read(book)) {
    const PartKind kind = curve.of_machine ? PartKind::kMachine : PartKind::kMotor;
    array.push_back(curve_json(curve, names));
    rows.push_back({std::to_string(curve.id),
                    fmt::format("{} {}", part_kind_name(kind), names.of(kind, curve.subject)),
                    curve.model,
                    fmt::format("{:.0f} to {:.0f} rpm", rpm_from_rad_per_s(curve.speed_low),
                                rpm_from_rad_per_s(curve.speed_high)),
                    curve.made_utc});
  }
  if (arguments.json())
    print_json({{"curves", array}});
  else if (rows.size() == 1)
    say(arguments,
        fmt::format("No curve in {} yet; 'loadline-fit motor NAME' fits one.", book.path()));
  else
    say(arguments, text_table(rows));
  return 0;
}

int list_calibrations(const Book& book, const Arguments& arguments) {
  Json array = Json::array();
  std::vector<std::vector<std::string>> rows = {
      {"calibration", "rig", "made", "N per count", "arm"}};
  for (const Part& rig : book.parts(PartKind::kRig))
    for (const Calibration& calibration : book.calibrations(rig.id)) {
      if (arguments.flag("names")) say(arguments, std::to_string(calibration.id));
      array.push_back({{"rig", rig.name}});
      array.back().update(calibration_json(calibration));
      rows.push_back({std::to_string(calibration.id), rig.name, calibration.made_utc,
                      fmt::format("{:g}", calibration.slope_n_per_count),
                      fmt::format("{:g} mm", mm_from_m(calibration.arm_m))});
    }
  if (arguments.flag("names")) return 0;
  if (arguments.json())
    print_json({{"calibrations", array}});
  else if (rows.size() == 1)
    say(arguments, fmt::format("No calibration in {} yet; 'loadline-logger calibrate' makes one.",
                               book.path()));
  else
    say(arguments, text_table(rows));
  return 0;
}

int list_all(const Book& book, const Arguments& arguments) {
  Json out = {{"book", book.path()}};
  std::string text = book.path() + " holds";
  for (const char* table :
       {"rig", "motor", "machine", "pulley", "belt", "run", "curve", "calibration"}) {
    const std::int64_t count = count_of(book, table);
    out[std::string(table) + "s"] = count;
    text += fmt::format("{} {} {}{}", text.ends_with("holds") ? "" : ",", count, table,
                        count == 1 ? "" : "s");
  }
  if (arguments.json())
    print_json(out);
  else
    say(arguments, text + ".");
  return 0;
}

// An option that narrows nothing must not be taken in silence.
void require_no_filter(const Arguments& arguments) {
  for (const char* option : {"kind", "motor", "machine", "belt", "rig"})
    if (arguments.has(option))
      throw Error(
          Fault::kInput,
          fmt::format("--{0} narrows the list of runs only: 'loadline-db list runs --{0} …'.",
                      option));
}

int run_list(const Arguments& arguments) {
  if (arguments.flag("names") && arguments.json())
    throw Error(Fault::kInput, "--names and --json exclude each other; choose one.");
  const Book book = Book::open(arguments.book_path(), Book::Mode::kRead);
  if (arguments.names().empty()) {
    require_no_filter(arguments);
    return list_all(book, arguments);
  }
  const std::string& what = arguments.names()[0];
  if (what == "runs" || what == "run") return list_runs(book, arguments);
  require_no_filter(arguments);
  if (what == "curves" || what == "curve") return list_curves(book, arguments);
  if (what == "calibrations" || what == "calibration") return list_calibrations(book, arguments);
  return list_parts(book, arguments, part_kind_of(what));
}

}  // namespace

Verb list_verb() {
  Verb verb{"list",
            "[rigs|motors|machines|pulleys|belts|runs|curves|calibrations]",
            "list what is in the book",
            "Without a word it counts everything. The options narrow the list of runs.",
            "loadline-db list motors\nloadline-db list runs --kind brake --motor \"Drawer 3\"",
            1,
            po::options_description("Options"),
            run_list};
  verb.options.add_options()("kind", po::value<std::string>()->value_name(run_kind_choices()),
                             "runs of this kind only")(
      "motor", po::value<std::string>()->value_name("NAME"), "runs with this motor only")(
      "machine", po::value<std::string>()->value_name("NAME"), "runs with this machine only")(
      "belt", po::value<std::string>()->value_name("NAME"), "runs with this belt only")(
      "rig", po::value<std::string>()->value_name("NAME"), "runs on this rig only")(
      "names", po::bool_switch(),
      "names (of runs, curves, calibrations: numbers) alone, one a line");
  add_common_options(verb.options);
  verb.first_words = "rigs motors machines pulleys belts runs curves calibrations";
  return verb;
}

}  // namespace loadline
