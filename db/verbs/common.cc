#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <map>

#include "db/basis/ask.h"
#include "db/care/plausible.h"
#include "db/limits.h"
#include "db/sql/text.h"
#include "db/verbs/verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

struct OptionOfKinds {
  PartField::Type type;
  std::vector<std::pair<std::string, std::string>> of_kinds;  ///< kind, and its help
  std::string choices;  ///< "a|b", what stands for the value in --help
};

std::vector<std::pair<std::string, OptionOfKinds>> options_of_kinds() {
  std::vector<std::pair<std::string, OptionOfKinds>> options;
  for (const PartKind kind : all_part_kinds())
    for (const PartField& field : part_fields(kind)) {
      const auto found = std::find_if(options.begin(), options.end(),
                                      [&](const auto& o) { return o.first == field.name; });
      if (found == options.end()) {
        options.push_back({field.name,
                           {field.type,
                            {{part_kind_name(kind), field.help}},
                            field.choices ? field.choices : "WORD"}});
        continue;
      }
      found->second.of_kinds.emplace_back(part_kind_name(kind), field.help);
    }
  return options;
}

// "motor, machine: shaft diameter; pulley: …", kinds with the same words together.
std::string field_help(const OptionOfKinds& option) {
  std::string help;
  for (std::size_t i = 0; i < option.of_kinds.size(); ++i) {
    const auto& [kind, words] = option.of_kinds[i];
    if (i > 0) help += words == option.of_kinds[i - 1].second ? "" : "; ";
    const bool goes_on = i + 1 < option.of_kinds.size() && option.of_kinds[i + 1].second == words;
    help += kind;
    help += goes_on ? ", " : ": ";
    if (!goes_on) help += words;
  }
  return help;
}

std::string kinds_of(const OptionOfKinds& option) {
  std::string kinds;
  for (const auto& [kind, words] : option.of_kinds) kinds += (kinds.empty() ? "" : " or ") + kind;
  return kinds;
}

bool kind_has(PartKind kind, const std::string& name) {
  const auto fields = part_fields(kind);
  return std::any_of(fields.begin(), fields.end(),
                     [&](const PartField& field) { return name == field.name; });
}

void take_reference(const Book& book, const Arguments& arguments, const char* option, PartKind kind,
                    std::int64_t& into) {
  if (const auto name = arguments.text(option)) into = book.get(kind, *name).id;
}

std::optional<Tachometer> tachometer_of(const std::string& word) {
  const auto tachometer = tachometer_from_name(word);
  if (tachometer) return tachometer;
  throw Error(Fault::kInput,
              fmt::format("'{}' is no kind of tachometer; the kinds are reciprocal, period, gate, "
                          "analogue and display.",
                          word));
}

double pulses_of(long long pulses) {
  constexpr long long kMost = 10000;
  if (pulses < 1 || pulses > kMost)
    throw Error(Fault::kInput, fmt::format("--pulses takes a whole number from 1 to {}: the pulses "
                                           "of one turn.",
                                           kMost));
  return static_cast<double>(pulses);
}

void take_number(const Arguments& arguments, const char* option, std::optional<double>& into) {
  const auto value = arguments.number(option);
  if (!value) return;
  if (*value < 0) throw Error(Fault::kInput, fmt::format("--{} must not be negative.", option));
  into = value;
}

}  // namespace

PartKind part_kind_of(const std::string& word) {
  std::vector<std::string> known;
  for (const PartKind kind : all_part_kinds()) {
    known.emplace_back(part_kind_name(kind));
    if (word == known.back() || word == known.back() + "s") return kind;
  }
  throw Error(Fault::kInput,
              fmt::format("'{}' is no kind of part; the kinds are rig, motor, machine, pulley and "
                          "belt.",
                          word));
}

std::string run_kind_choices() {
  std::string choices;
  for (const RunKind kind : kRunKinds)
    choices += (choices.empty() ? "" : "|") + std::string(run_kind_name(kind));
  return choices;
}

std::string unknown_run_kind(const std::string& word) {
  return fmt::format(
      "'{}' is no kind of run; the kinds are no-load, brake, spin-up, coast-down, "
      "driven, slip-check and top-speed.",
      word);
}

RunKind needed_run_kind(const Arguments& arguments) {
  const auto word = arguments.text("kind");
  if (!word)
    throw Error(Fault::kInput,
                "--kind is missing; it is no-load, brake, spin-up, coast-down, "
                "driven, slip-check or top-speed.");
  const auto kind = run_kind_from_name(*word);
  if (!kind) throw Error(Fault::kInput, unknown_run_kind(*word));
  return *kind;
}

void add_field_options(po::options_description& options, const po::options_description* of_runs) {
  for (const auto& [name, option] : options_of_kinds()) {
    std::string help = field_help(option);
    if (const auto* also = of_runs ? of_runs->find_nothrow(name, false) : nullptr)
      help += "; run: " + also->description();
    if (option.type == PartField::Type::kNumber)
      options.add_options()(name.c_str(), po::value<double>()->value_name("X"), help.c_str());
    else
      options.add_options()(name.c_str(), po::value<std::string>()->value_name(option.choices),
                            help.c_str());
  }
}

bool field_fits(const std::string& kind, const std::string& option) {
  const auto options = options_of_kinds();
  const bool is_field = std::any_of(options.begin(), options.end(),
                                    [&](const auto& field) { return field.first == option; });
  return !is_field || kind_has(part_kind_of(kind), option);
}

void take_fields(const Arguments& arguments, Part& part) {
  for (const auto& [name, option] : options_of_kinds()) {
    if (!arguments.has(name)) continue;
    if (!kind_has(part.kind, name))
      throw Error(Fault::kInput, fmt::format("a {} has no --{} (a {} has); leave it out.",
                                             part_kind_name(part.kind), name, kinds_of(option)));
    if (option.type == PartField::Type::kNumber)
      part.fields[name] = *arguments.number(name);
    else
      part.fields[name] = *arguments.text(name);
  }
}

std::int64_t run_number(const std::string& word) {
  std::int64_t number = 0;
  const auto [end, fault] = std::from_chars(word.data(), word.data() + word.size(), number);
  if (fault != std::errc() || end != word.data() + word.size() || number < 1)
    throw Error(Fault::kInput,
                fmt::format("'{}' is no number of a run or curve; 'loadline-db list runs' and "
                            "'loadline-db list curves' show them.",
                            word));
  return number;
}

void take_note(const Arguments& arguments, std::string& note) {
  if (const auto given = arguments.text("note")) note = *given;
}

void add_run_options(po::options_description& options) {
  const auto word = [] { return po::value<std::string>()->value_name("NAME"); };
  const auto number = [] { return po::value<double>()->value_name("X"); };
  options.add_options()("rig", word(), "the rig that measured")("motor", word(), "the motor")(
      "machine", word(), "the machine")("belt", word(), "the belt")(
      "motor-pulley", word(), "the pulley on the motor")("hand-pulley", word(),
                                                         "the pulley on the machine")(
      "inertia-kgm2", number(),
      "inertia between the motor's winding and the load cell; for a coast-down the whole inertia")(
      "inertia-sd-kgm2", number(), "standard uncertainty of that inertia")(
      "added-inertia-kgm2", number(), "known inertia added for this run")(
      "supply-v", number(), "supply voltage, when no column has it")(
      "slip-check", po::value<long long>()->value_name("RUN"),
      "the slip check that this run leans on")(
      "tachometer", po::value<std::string>()->value_name("reciprocal|period|gate|analogue|display"),
      "how the speeds of a table were made: turns between edges over their time, time of the last "
      "turn, pulses counted in a gate, a voltage, a number on a display; where it is not said it "
      "is "
      "judged from the rows")("pulses", po::value<long long>()->value_name("N"),
                              "pulses of one turn of that tachometer")(
      "session", po::value<std::string>()->value_name("LABEL"),
      "the evening that the run belongs to, when its date and rig do not tell")(
      "on", po::value<std::string>()->value_name("DATE"),
      "the day of the run (of the event, for a part), as 2026-03-01")(
      "note", po::value<std::string>()->value_name("TEXT"), "words to keep with it");
}

void take_run_options(const Book& book, const Arguments& arguments, Run& run) {
  take_reference(book, arguments, "rig", PartKind::kRig, run.rig);
  take_reference(book, arguments, "motor", PartKind::kMotor, run.motor);
  take_reference(book, arguments, "machine", PartKind::kMachine, run.machine);
  take_reference(book, arguments, "belt", PartKind::kBelt, run.belt);
  take_reference(book, arguments, "motor-pulley", PartKind::kPulley, run.motor_pulley);
  take_reference(book, arguments, "hand-pulley", PartKind::kPulley, run.hand_pulley);
  take_number(arguments, "inertia-kgm2", run.inertia_kgm2);
  if (run.inertia_kgm2) require_bench_inertia(*run.inertia_kgm2);
  take_number(arguments, "inertia-sd-kgm2", run.inertia_sd_kgm2);
  take_number(arguments, "added-inertia-kgm2", run.added_inertia_kgm2);
  take_number(arguments, "supply-v", run.supply_v);
  if (const auto slip_check = arguments.whole("slip-check")) {
    if (*slip_check < 1)
      throw Error(Fault::kInput, "--slip-check takes the number of a run, 1 or above.");
    run.slip_check = *slip_check;
  }
  if (const auto word = arguments.text("tachometer")) run.tachometer = tachometer_of(*word);
  if (const auto pulses = arguments.whole("pulses")) run.tachometer_pulses = pulses_of(*pulses);
  if (const auto label = arguments.text("session")) run.session = *label;
  if (const auto day = arguments.text("on")) {
    require_date(*day);
    if (run.started_utc.substr(0, 10) != *day) run.started_utc = *day + "T00:00:00Z";
  }
  take_note(arguments, run.note);
}

// What a later fit will miss; the run is kept all the same and can be completed with `set run`.
std::string missing_words(const Run& run) {
  const bool of_motor = run.kind == RunKind::kBrake || run.kind == RunKind::kNoLoad ||
                        run.kind == RunKind::kSpinUp || run.kind == RunKind::kSlipCheck;
  std::string missing;
  const auto need = [&](bool there, const char* option) {
    if (!there) missing += (missing.empty() ? "" : " and ") + std::string(option);
  };
  if (run.kind == RunKind::kCoastDown && !run.machine && !run.motor) return "--machine or --motor";
  if (run.kind == RunKind::kDriven || run.kind == RunKind::kTopSpeed)
    need(run.machine, "--machine");
  if (of_motor || run.kind == RunKind::kDriven) need(run.motor, "--motor");
  if (run.kind == RunKind::kTopSpeed) need(run.belt, "--belt");
  return missing;
}

void require_distinct_name(const Book& book, const Arguments& arguments, const Part& part) {
  if (const std::string odd = odd_name(book, part); !odd.empty()) require_meant(arguments, odd);
}

}  // namespace loadline
