#include "logger/record_order.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <cmath>

#include "db/basis/command_line.h"
#include "db/basis/shell_word.h"

namespace loadline {
namespace {

RecordingOptions options_for(const RecordOrder& order, const Port& port) {
  RecordingOptions options;
  options.intake.for_s = order.for_s;
  if (order.for_s && *order.for_s <= 0)
    throw Error(Fault::kInput, "--for must be above 0 seconds.");
  options.intake.replug_s = order.replug_s;
  options.save_capture = order.save_capture;
  options.writer.with_fallback = port.live();
  options.standstill_watched =
      port.live() && (order.kind == RunKind::kBrake || order.kind == RunKind::kSpinUp);
  options.standstill_limit_s = order.standstill_limit_s;
  if (port.live() && order.kind == RunKind::kSlipCheck) options.slip_limit_s = order.slip_limit_s;
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

/// What a rig that acts is told (wire.md); the most telling lines first, for it is cut at the end.
std::string wish_of(const RecordOrder& order) {
  std::string wish = fmt::format("kind={}", run_kind_name(order.kind));
  if (order.mounting.added_inertia_kgm2)
    wish += fmt::format("\nadded_kgm2={}", *order.mounting.added_inertia_kgm2);
  if (order.mounting.belt) wish += "\nbelt=" + *order.mounting.belt;
  if (order.mounting.machine) wish += "\nmachine=" + *order.mounting.machine;
  if (order.mounting.motor) wish += "\nmotor=" + *order.mounting.motor;
  return wish;
}

bool measures_torque(RunKind kind) { return kind == RunKind::kBrake; }

}  // namespace

std::string rig_lacks(RunKind kind, const WireIdentity& rig) {
  const bool cell = rig.channels & kWireLoadCell;
  const bool motor = rig.channels & kWireMotorTach;
  const bool wheel = rig.channels & kWireHandwheelTach;
  if (measures_torque(kind) && !cell) return "a load cell";
  if (measures_torque(kind) && !motor) return "a tachometer on the motor";
  if (!motor && !wheel) return "a tachometer";
  return "";
}

namespace {

void check_rig(const std::optional<WireIdentity>& identity, const Part& rig, RunKind kind) {
  if (!identity) return;
  const std::string lack = rig_lacks(kind, *identity);
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

/// The first rig of a book that knows none, as it describes itself.
Part enter_first_rig(Book& book, const std::optional<WireIdentity>& identity) {
  if (!identity) return rig_of(book, {});  // printed lines say nothing of their rig: the way out
  Part rig;
  rig.kind = PartKind::kRig;
  rig.name = "first rig";
  if (identity->arm_um > 0) rig.fields["arm-mm"] = identity->arm_um * 1e-3;
  if (identity->cell_position == kWireCellOnBrake) rig.fields["cell"] = std::string("brake");
  if (identity->cell_position == kWireCellOnMotor) rig.fields["cell"] = std::string("motor");
  rig.id = book.add(rig);
  warn(
      fmt::format("the book knew no rig: the one on this line is entered as {0}. Complete it with "
                  "loadline-db set rig {0} --arm-mm …, and calibrate it.",
                  shell_word(rig.name)));
  return rig;
}

Json zero_json(const std::optional<Zero>& zero) {
  if (!zero) return nullptr;
  return {{"mean_counts", zero->mean_counts},
          {"sd_counts", json_number(zero->sd_counts)},
          {"conversions", zero->conversions}};
}

Json sensor_json(const SensorFindings& sensor) {
  return {{"edges", sensor.edges},
          {"lost_pulses", sensor.lost},
          {"doubled_pulses", sensor.doubled},
          {"timing_sd_us", json_number(sensor.timing_s * 1e6)}};
}

Json sound_json(const SoundFindings& sound) {
  Json json = sensor_json(sound);
  json["rate_hz"] = sound.rate_hz;
  json["clock_sd_ppm"] = sound.clock_sd_ppm;
  json["take_sha256"] = sound.take_hash;
  if (sound.other) {
    json["other"] = sensor_json(*sound.other);
    json["other"]["shaft"] = sound.other_shaft;
  }
  return json;
}

std::string sensor_words(const SensorFindings& sensor) {
  return fmt::format(
      "{} edges, each known to {} µs (standard uncertainty by noise); {} pulses lost, {} doubled",
      sensor.edges, significant(sensor.timing_s * 1e6, 2), sensor.lost, sensor.doubled);
}

std::string sound_words(const SoundFindings& sound) {
  std::string words = sensor_words(sound);
  if (sound.other)
    words += fmt::format("; of the {} {}", sound.other_shaft,
                         sound.other->edges > 0 ? sensor_words(*sound.other) : "no edge");
  return words + fmt::format("; the sound input's clock taken as right within {} millionths",
                             significant(sound.clock_sd_ppm, 2));
}

// Edges of a run-down; with fewer, slow marks that a sound input changes weigh too much.
constexpr std::uint64_t kFewEdges = 20;

std::string zero_words(const RecordingResult& result) {
  if (!result.zero_before && !result.zero_after) return "no zero of the load cell taken";
  std::string words = "zero of the load cell";
  if (result.zero_before) words += fmt::format(" {:.1f} before", result.zero_before->mean_counts);
  if (result.zero_before && result.zero_after) words += ",";
  if (result.zero_after) words += fmt::format(" {:.1f} after", result.zero_after->mean_counts);
  return words + " (counts)";
}

}  // namespace

std::optional<Zero> newest_zero(const Book& book, const Part& rig) {
  std::optional<Zero> newest = book.latest_zero(rig.id);
  RunFilter filter;
  filter.rig = rig.id;
  const std::vector<Run> runs = book.runs(filter);
  for (auto run = runs.rbegin(); run != runs.rend(); ++run) {
    const std::vector<Zero> zeros = book.zeros(run->id);
    for (const Zero& zero : zeros)
      if (!newest || zero.made_utc >= newest->made_utc) newest = zero;
    if (!zeros.empty()) break;
  }
  const auto calibration = book.latest_calibration(rig.id);
  if (newest && calibration && calibration->made_utc > newest->made_utc) return std::nullopt;
  return newest;
}

LiveScale live_scale(const Book& book, const Part& rig) {
  LiveScale scale;
  scale.calibration = book.latest_calibration(rig.id);
  if (const auto zero = newest_zero(book, rig)) scale.zero_counts = zero->mean_counts;
  if (!scale.zero_counts && scale.calibration) scale.zero_counts = scale.calibration->zero_counts;
  return scale;
}

namespace {

/// A run is dated by this machine's clock, which stands at some old date where its battery is
/// empty.
void check_clock(const Book& book, const std::string& now) {
  const std::string older = [&] {
    const std::vector<Run> runs = book.runs();
    return runs.empty() ? std::string() : runs.back().started_utc;
  }();
  constexpr const char* kThisProgram = "2025-01-01";  // it was not there before
  if (now >= kThisProgram && now >= older) return;
  warn(
      fmt::format("this machine's clock says {}, {}; set the clock, for runs are told apart by "
                  "their evenings.",
                  now,
                  now < older ? fmt::format("before the run that was recorded last ({})", older)
                              : std::string("which cannot be")));
}

}  // namespace

RecordReport carry_out(const RecordOrder& order, Book& book, const Part& rig, RigLine& line,
                       Clock& clock, Attendant& attendant) {
  RecordReport report;
  report.run = run_of(book, order.kind, order.mounting, rig);
  check_clock(book, clock.utc());
  RecordingOptions options = options_for(order, *line.port);
  options.intake.wish = wish_of(order);
  expect_usual_zero(book, rig, options.writer);
  if (report.run.motor) options.turning.push_back(book.part(PartKind::kMotor, report.run.motor));
  if (report.run.machine)
    options.turning.push_back(book.part(PartKind::kMachine, report.run.machine));
  if (rig.id == 0 && !order.of_sound)
    options.complete = [&book](Run& run, const std::optional<WireIdentity>& identity) {
      run.rig = enter_first_rig(book, identity).id;
    };
  Recording recording(clock, *line.port, *line.reader, book, options);
  recording.introduce();
  if (!order.of_sound) check_rig(recording.identity(), rig, order.kind);
  const LiveScale scale = live_scale(book, rig);
  if (measures_torque(order.kind) && !scale.calibration && line.reader->takes_commands() &&
      !order.of_sound)
    warn(
        "the book has no calibration of this rig, so torque is kept as counts; calibrate before "
        "fitting ('loadline-logger calibrate').");
  report.result = recording.record(report.run, scale, attendant);
  const auto identity = recording.identity();
  report.has_load_cell = identity && (identity->channels & kWireLoadCell) != 0;
  report.damaged_example = line.reader->damaged_example();
  report.sound = line.reader->sound();
  if (report.sound && report.sound->clipped)
    report.result.warnings.push_back(
        "the take goes to the limit of its level now and then, which moves edges; record it again "
        "with the input turned down.");
  if (report.sound && order.kind == RunKind::kCoastDown && report.sound->slower < kFewEdges)
    report.result.warnings.push_back(
        fmt::format("only {} marks passed while the shaft ran down, so few that its drag may be "
                    "further off than "
                    "its limits say; put more marks on it, four to eight on a hand wheel.",
                    report.sound->slower));
  if (report.result.book_gave_up) {
    report.run.id = report.result.run;
    return report;
  }
  report.run = book.run(report.result.run);
  report.quality = judge_run(book, report.run, report.result.counts.lost);
  if (order.kind == RunKind::kSlipCheck)
    report.slip = judge_slip_check(book, report.run, order.slip_limit_s, order.slip_target_rpm,
                                   order.slip_band_percent);
  report.next = next_command(book, report.run);
  return report;
}

Json to_json(const RecordReport& report) {
  const Run& run = report.run;
  const RecordingResult& result = report.result;
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
               {"lost_bytes", result.lost_bytes},
               {"next", report.next}};
  json["quality"] = to_json(report.quality);
  if (report.slip) json["slip"] = to_json(*report.slip);
  if (report.sound) json["sound"] = sound_json(*report.sound);
  if (!result.why.empty()) json["why"] = result.why;
  return json;
}

std::string summary(const RecordReport& report) {
  const Run& run = report.run;
  const RecordingResult& result = report.result;
  std::string text =
      fmt::format("Run {} ({}) {}: {:.1f} s, {} samples", result.run, run_kind_name(run.kind),
                  run_state_name(result.state), result.duration_s, result.committed);
  const LineCounts& counts = result.counts;
  if (!report.sound) text += fmt::format(", {} lost", counts.lost);
  if (counts.damaged) text += fmt::format(", {} damaged on the line and left out", counts.damaged);
  if (counts.implausible) text += fmt::format(", {} implausible and left out", counts.implausible);
  if (counts.repeated) text += fmt::format(", {} repeated and kept once", counts.repeated);
  if (counts.resets) text += fmt::format(", {} resets of the rig", counts.resets);
  text += ".";
  if (report.sound) text += "\n  " + sound_words(*report.sound) + ".";
  if (report.has_load_cell) text += "\n  " + zero_words(result) + ".";
  if (!report.quality.findings.empty()) text += "\n  " + sentence(report.quality) + ".";
  if (report.slip) text += "\n  " + report.slip->sentence;
  return text;
}

void throw_fault(const RecordReport& report) {
  const RecordingResult& result = report.result;
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
  if (result.lost_bytes > 0)
    sentence += fmt::format(
        " No place took the last {} bytes of the line; they are lost, make room and record anew.",
        result.lost_bytes);
  throw Error(result.book_gave_up ? Fault::kBook : Fault::kRig, sentence);
}

}  // namespace loadline
