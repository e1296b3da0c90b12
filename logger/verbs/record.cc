// record: one run, from the line into the book.
#include <fmt/format.h>

#include <cmath>
#include <iostream>

#include "db/basis/units.h"
#include "logger/cautions.h"
#include "logger/console.h"
#include "logger/mounting.h"
#include "logger/recording.h"
#include "logger/verbs/verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

Mounting mounting_from(const Arguments& arguments) {
  Mounting mounting;
  mounting.rig = arguments.text("rig");
  mounting.motor = arguments.text("motor");
  mounting.machine = arguments.text("machine");
  mounting.belt = arguments.text("belt");
  mounting.motor_pulley = arguments.text("motor-pulley");
  mounting.hand_pulley = arguments.text("hand-pulley");
  mounting.slip_check = arguments.whole("slip-check");
  mounting.supply_v = arguments.number("supply-v");
  mounting.inertia_kgm2 = arguments.number("inertia-kgm2");
  mounting.added_inertia_kgm2 = arguments.number("added-inertia-kgm2");
  mounting.note = arguments.text("note").value_or("");
  return mounting;
}

RecordingOptions options_from(const Arguments& arguments, RunKind kind, const Port& port) {
  RecordingOptions options;
  options.intake.for_s = arguments.number("for");
  if (options.intake.for_s && *options.intake.for_s <= 0)
    throw Error(Fault::kInput, "--for must be above 0 seconds.");
  if (const auto replug = arguments.number("replug")) options.intake.replug_s = *replug;
  options.save_capture = arguments.text("save-capture").value_or("");
  options.writer.with_fallback = port.live();
  options.standstill_watched = port.live() && (kind == RunKind::kBrake || kind == RunKind::kSpinUp);
  if (const auto limit = arguments.number("standstill-limit")) options.standstill_limit_s = *limit;
  if (port.live() && kind == RunKind::kSlipCheck)
    options.slip_limit_s = arguments.number("slip-limit").value_or(2);
  return options;
}

/// A zero further from the usual one than this torque is taken for a load.
constexpr double kUsualZeroToleranceNm = 0.05;

void expect_usual_zero(const Book& book, const Part& rig, WriterOptions& options) {
  const auto calibration = book.latest_calibration(rig.id);
  const auto zero = book.latest_zero(rig.id);
  if (!calibration || calibration->slope_n_per_count == 0 || calibration->arm_m == 0) return;
  options.usual_zero_counts = zero ? zero->mean_counts : calibration->zero_counts;
  options.usual_zero_tolerance =
      kUsualZeroToleranceNm / std::abs(calibration->slope_n_per_count * calibration->arm_m);
}

LiveScale scale_from(const Book& book, const Part& rig) {
  LiveScale scale;
  scale.calibration = book.latest_calibration(rig.id);
  if (const auto zero = book.latest_zero(rig.id)) scale.zero_counts = zero->mean_counts;
  return scale;
}

bool measures_torque(RunKind kind) { return kind == RunKind::kBrake; }

/// What the rig lacks for this kind of run; empty when it has all.
std::string lacking(RunKind kind, const WireIdentity& rig) {
  const bool cell = rig.channels & kWireLoadCell;
  const bool motor = rig.channels & kWireMotorTach;
  const bool wheel = rig.channels & kWireHandwheelTach;
  if (measures_torque(kind) && !cell) return "a load cell";
  if (measures_torque(kind) && !motor) return "a tachometer on the motor";
  if (!motor && !wheel) return "a tachometer";
  return "";
}

void check_rig(const std::optional<WireIdentity>& identity, const Part& rig, RunKind kind) {
  if (!identity) return;
  const std::string lack = lacking(kind, *identity);
  if (!lack.empty())
    throw Error(Fault::kRig, fmt::format("this rig has no {}, which a {} run needs; see "
                                         "'loadline-logger probe'.",
                                         lack.substr(2), run_kind_name(kind)));
  const auto arm_mm = rig.number("arm-mm");
  if (arm_mm && identity->arm_um > 0 &&
      std::abs(identity->arm_um * 1e-3 - *arm_mm) > 0.01 * *arm_mm)
    warn(fmt::format("the rig says that its arm is {} mm long, the book {} mm; the book's counts.",
                     significant(identity->arm_um * 1e-3, 5), significant(*arm_mm, 5)));
}

void answer_cautions(const Arguments& arguments, RunKind kind, bool live) {
  const std::string cautions = cautions_before(kind);
  if (cautions.empty() || !live) return;
  std::cerr << cautions;
  if (arguments.flag("yes")) return;
  if (!at_terminal())
    throw Error(Fault::kInput,
                "nobody is there to read the cautions; when they are seen to, repeat "
                "the command with --yes.");
  if (!wait_for_enter("Enter begins the recording, q and Enter leaves: "))
    throw Error(Fault::kInput, "left before the recording began; the book is as before.");
}

Json zero_json(const std::optional<Zero>& zero) {
  if (!zero) return nullptr;
  return {{"mean_counts", zero->mean_counts},
          {"sd_counts", json_number(zero->sd_counts)},
          {"conversions", zero->conversions}};
}

Json result_json(const Run& run, const RecordingResult& result, const std::string& next) {
  Json json = {{"run", result.run},
               {"kind", run_kind_name(run.kind)},
               {"state", run_state_name(result.state)},
               {"duration_s", result.duration_s},
               {"samples", result.committed},
               {"lost", result.counts.lost},
               {"repeated", result.counts.repeated},
               {"damaged", result.counts.damaged},
               {"implausible", result.counts.implausible},
               {"resets", result.counts.resets},
               {"zero_before", zero_json(result.zero_before)},
               {"zero_after", zero_json(result.zero_after)},
               {"warnings", result.warnings},
               {"fallback_captures", result.fallback_paths},
               {"next", next}};
  if (!result.why.empty()) json["why"] = result.why;
  return json;
}

std::string zero_words(const RecordingResult& result) {
  if (!result.zero_before && !result.zero_after) return "no zero of the load cell taken";
  std::string words = "zero of the load cell";
  if (result.zero_before) words += fmt::format(" {:.1f} before", result.zero_before->mean_counts);
  if (result.zero_before && result.zero_after) words += ",";
  if (result.zero_after) words += fmt::format(" {:.1f} after", result.zero_after->mean_counts);
  return words + " (counts)";
}

std::string summary(const Run& run, const RecordingResult& result, bool torque_rig) {
  std::string text =
      fmt::format("Run {} ({}) {}: {:.1f} s, {} samples", result.run, run_kind_name(run.kind),
                  run_state_name(result.state), result.duration_s, result.committed);
  const LineCounts& counts = result.counts;
  text += fmt::format(", {} lost", counts.lost);
  if (counts.damaged) text += fmt::format(", {} damaged on the line and left out", counts.damaged);
  if (counts.implausible) text += fmt::format(", {} implausible and left out", counts.implausible);
  if (counts.repeated) text += fmt::format(", {} repeated and kept once", counts.repeated);
  if (counts.resets) text += fmt::format(", {} resets of the rig", counts.resets);
  text += ".";
  if (torque_rig) text += "\n  " + zero_words(result) + ".";
  return text;
}

/// How a run that did not end well is reported; does not return then.
void report_fault(const RecordingResult& result) {
  if (result.state == RunState::kComplete) return;
  std::string sentence = fmt::format(
      "{} What was committed of run {} ({} samples) is in the book and "
      "usable as far as it goes.",
      result.why.ends_with('.') ? result.why : result.why + ".", result.run, result.committed);
  if (!result.fallback_paths.empty()) {
    std::string paths;
    for (const std::string& path : result.fallback_paths)
      paths += (paths.empty() ? "" : " ") + shell_word(path);
    sentence += fmt::format(
        " The line's bytes from there on are in {}; when the book can be written "
        "again, read them in with 'record … --port'.",
        paths);
  }
  throw Error(result.book_gave_up ? Fault::kBook : Fault::kRig, sentence);
}

int record(const Arguments& arguments) {
  const RunKind kind = kind_from(arguments.name(0, "the kind of run (such as brake)"));
  Book book = Book::open(arguments.book_path(), Book::Mode::kWrite);
  const Mounting mounting = mounting_from(arguments);
  const Part rig = rig_of(book, mounting.rig);
  Run run = run_of(book, kind, mounting, rig);
  RigLine line = open_rig_line(line_options(arguments), &rig);
  RecordingOptions options = options_from(arguments, kind, *line.port);
  expect_usual_zero(book, rig, options.writer);
  answer_cautions(arguments, kind, line.port->live());
  SystemClock clock;
  Recording recording(clock, *line.port, *line.reader, book, options);
  recording.introduce();
  check_rig(recording.identity(), rig, kind);
  const LiveScale scale = scale_from(book, rig);
  if (measures_torque(kind) && !scale.calibration && line.reader->takes_commands())
    warn(
        "the book has no calibration of this rig, so torque is kept as counts; calibrate before "
        "fitting ('loadline-logger calibrate').");
  RecordingResult result;
  {
    const bool keys = arguments.text("port") != "-";
    ConsoleAttendant attendant({arguments.flag("yes"), keys});
    if (at_terminal() && keys) std::cerr << "Recording; Enter or Ctrl-C stops.\n";
    result = recording.record(run, scale, attendant);
  }
  const bool torque_rig =
      recording.identity() && (recording.identity()->channels & kWireLoadCell) != 0;
  run.id = result.run;
  const std::string next = next_command(book, run);
  for (const std::string& warning : result.warnings) warn(warning);
  if (const std::string example = line.reader->damaged_example(); !example.empty())
    warn(fmt::format("{} printed lines did not fit the description, the first of them: \"{}\".",
                     result.counts.damaged, example));
  if (arguments.json()) print_json(result_json(run, result, next));
  say(arguments, summary(run, result, torque_rig));
  report_fault(result);
  say(arguments, "Next: " + next);
  return 0;
}

}  // namespace

Verb record_verb() {
  Verb verb;
  verb.name = "record";
  verb.words = "KIND --port PATH";
  verb.summary = "record a run from the rig (or a capture of one) into the book";
  verb.description =
      "KIND is no-load, brake, spin-up, coast-down, driven, slip-check or top-speed. The run ends "
      "by "
      "Enter, Ctrl-C, --for, or with its capture file. What the rig sends is committed several "
      "times "
      "a second; a run that is cut short by a fault or a kill stays in the book as interrupted, "
      "usable as far as it goes.";
  verb.example =
      "loadline-logger record brake --port /dev/ttyUSB0 --motor \"Grey 90 W\" --for 30\n"
      "loadline-logger record coast-down --port evening.capture --machine Anvil";
  verb.most_names = 1;
  auto& options = verb.options;
  add_line_options(options);
  const auto text = [&](const char* name, const char* value, const char* help) {
    options.add_options()(name, po::value<std::string>()->value_name(value), help);
  };
  const auto number = [&](const char* name, const char* value, const char* help) {
    options.add_options()(name, po::value<double>()->value_name(value), help);
  };
  text("rig", "R", "the rig (needless when the book knows only one)");
  text("motor", "M", "the motor that is measured or that drives");
  text("machine", "K", "the machine that is measured or driven");
  text("belt", "B", "the belt between them");
  text("motor-pulley", "P", "the pulley on the motor");
  text("hand-pulley", "H", "the pulley on the machine");
  number("supply-v", "V", "supply voltage, when the rig does not measure it");
  options.add_options()("slip-check", po::value<long long>()->value_name("RUN"),
                        "the slip check that this run leans on");
  number("inertia-kgm2", "J",
         "inertia between rotor and load cell; of a coast-down the whole, if known");
  number("added-inertia-kgm2", "D", "known inertia that was added for this run");
  number("for", "SECONDS", "end after so long, by the rig's clock");
  options.add_options()("yes", po::bool_switch(), "answer the cautions and questions with yes");
  text("save-capture", "FILE", "keep the raw bytes of the line in FILE besides");
  number("replug", "SECONDS", "how long to wait for a rig that was unplugged (10)");
  number("standstill-limit", "SECONDS", "warn when the motor is held at standstill for longer (5)");
  number("slip-limit", "SECONDS", "of a slip check: for how long the belt may slip (2)");
  text("note", "TEXT", "a note to keep with the run");
  add_common_options(options);
  verb.run = record;
  return verb;
}

}  // namespace loadline
