#include "fit/drive/answer.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/units.h"

namespace loadline {
namespace {

// A figure within this of the edge of a measured range still stands on it.
constexpr double kEdge = 0.02;
// Standstill torque is read from the curve's low end: measured down to this part of the range it is
// a small step, beyond it a leap (the error grows from 0.5 % to 5 % and more in simulated benches).
constexpr double kLowEnd = 0.1;
// Intervals wider than this part of their value deserve draws instead of first-order propagation.
constexpr double kWide = 0.25;

std::string rpm_text(double rad_per_s) { return significant(rpm_from_rad_per_s(rad_per_s), 3); }

std::string beyond(const DriveCurve& curve, const char* whose, double speed) {
  if (speed > curve.high() * (1 + kEdge))
    return fmt::format("{} curve above {} rpm", whose, rpm_text(curve.high()));
  if (speed < curve.low() * (1 - kEdge) && speed > 0)
    return fmt::format("{} curve below {} rpm", whose, rpm_text(curve.low()));
  return {};
}

std::string joined(const std::string& a, const std::string& b) {
  return a.empty() || b.empty() ? a + b : a + " and " + b;
}

std::string beyond_at(const DriveSetup& setup, double motor_speed, double wheel_speed) {
  return joined(beyond(setup.motor, "motor", motor_speed),
                beyond(setup.machine, "machine", wheel_speed));
}

std::string beyond_at(const DriveSetup& setup, const Figures& f, Figure motor, Figure wheel) {
  if (!f[motor] || !f[wheel]) return {};
  return beyond_at(setup, f[motor]->value, f[wheel]->value);
}

std::string standstill_beyond(const DriveCurve& motor) {
  if (motor.low() <= kLowEnd * motor.high()) return {};
  return fmt::format("motor curve below {} rpm", rpm_text(motor.low()));
}

std::string best_beyond(const DriveSetup& setup, const Figures& f, Figure ratio, Figure wheel) {
  if (!f[ratio] || !f[wheel]) return {};
  const double motor_speed = f[ratio]->value * f[wheel]->value / (1 - setup.line.slip.value);
  return beyond_at(setup, motor_speed, f[wheel]->value);
}

std::string slow_beyond(const DriveSetup& setup, const DriveQuestion& question) {
  const double slow = question.slow_speed.value_or(0);
  return beyond_at(setup, slow * setup.line.ratio.value / (1 - setup.line.slip.value), slow);
}

std::string seen_beyond(const DriveSetup& setup, const DriveQuestion& question) {
  const double seen = question.seen_top_speed->value;
  return beyond_at(setup, seen * setup.line.ratio.value / (1 - setup.line.slip.value), seen);
}

std::string wanted_beyond(const DriveSetup& setup, const DriveQuestion& question, const Figures& f,
                          Figure ratio) {
  const double wheel = question.wanted_speed.value_or(0);
  return beyond_at(setup, f[ratio]->value * wheel / (1 - setup.line.slip.value), wheel);
}

// Which curve a figure leans on outside its measured range.
std::string extrapolation(const DriveSetup& setup, const DriveQuestion& question, const Figures& f,
                          Figure figure) {
  switch (figure) {
    case Figure::kRatio:
    case Figure::kBeltSlip:
    case Figure::kBeltLoss:
      return {};
    case Figure::kPeakPower:
    case Figure::kPeakPowerSpeed:
      return beyond(setup.motor, "motor", f[Figure::kPeakPowerSpeed]->value);
    case Figure::kStandstillTorque:
    case Figure::kStartingReserve:
    case Figure::kNeedleForce:
      return standstill_beyond(setup.motor);
    case Figure::kBestRatio:
    case Figure::kBestHandwheelSpeed:
    case Figure::kBestGain:
      return best_beyond(setup, f, Figure::kBestRatio, Figure::kBestHandwheelSpeed);
    case Figure::kLimitedBestRatio:
    case Figure::kLimitedBestHandwheelSpeed:
      return best_beyond(setup, f, Figure::kLimitedBestRatio, Figure::kLimitedBestHandwheelSpeed);
    case Figure::kLoadedHandwheelSpeed:
    case Figure::kLoadedMotorSpeed:
    case Figure::kSpeedLoss:
      return beyond_at(setup, f, Figure::kLoadedMotorSpeed, Figure::kLoadedHandwheelSpeed);
    case Figure::kWantedLowRatio:
    case Figure::kWantedHighRatio:
      return wanted_beyond(setup, question, f, figure);
    case Figure::kSeenDragScale:
    case Figure::kSeenBeltLoss:
      return seen_beyond(setup, question);
    case Figure::kSeenSlip:
      return beyond(setup.machine, "machine", question.seen_top_speed->value);
    case Figure::kSlowBestRatio:
      return joined(beyond(setup.motor, "motor", f[Figure::kPeakPowerSpeed]->value),
                    beyond(setup.machine, "machine", question.slow_speed.value_or(0)));
    case Figure::kSlowSpareTorque:
    case Figure::kPedalResistance:
    case Figure::kResistanceDrop:
    case Figure::kResistanceStallTorque:
    case Figure::kPedalVoltage:
    case Figure::kVoltageDrop:
    case Figure::kVoltageStallTorque:
      return slow_beyond(setup, question);
    default:
      return beyond_at(setup, f, Figure::kMotorSpeed, Figure::kHandwheelSpeed);
  }
}

template <class Take>
void each_figure(const Figures& figures, Take take) {
  for (std::size_t k = 0; k < kFigureCount; ++k) {
    const auto figure = static_cast<Figure>(k);
    if (figures[figure]) take(figure, *figures[figure]);
  }
}

std::vector<AnswerLine> change_lines(const Sources& sources, const Figures& figures) {
  std::vector<AnswerLine> lines;
  each_figure(figures, [&](Figure figure, const Propagated& x) {
    lines.push_back({figure, sources.estimate(x, 100, "%"), {}});
  });
  return lines;
}

DriveSetup with_ratio(const DriveSetup& setup, const Propagated& ratio) {
  DriveSetup result = setup;
  result.line.ratio = ratio;
  return result;
}

// ---- warnings -----------------------------------------------------------------------------------

const AnswerLine* find_line(const std::vector<AnswerLine>& lines, Figure figure) {
  const auto found = std::find_if(lines.begin(), lines.end(),
                                  [&](const AnswerLine& line) { return line.figure == figure; });
  return found == lines.end() ? nullptr : &*found;
}

void warn_of_extrapolation(DriveAnswer& answer) {
  const auto say = [&](Figure figure, const char* what, const char* todo) {
    const AnswerLine* line = answer.find(figure);
    if (line && !line->extrapolated.empty())
      answer.warnings.push_back(fmt::format("{} leans on the {}, where nothing was measured: {}.",
                                            what, line->extrapolated, todo));
  };
  say(Figure::kMotorSpeed, "the operating point", "take it as extrapolated, or measure there");
  say(Figure::kBestRatio, "the best ratio", "measure there before you buy a pulley for it");
  say(Figure::kStandstillTorque, "the standstill torque",
      "brake the motor further down to be sure");
}

void warn_of_settling(const DriveDesk& desk, DriveAnswer& answer) {
  if (answer.settling == Settling::kNeedsPush)
    answer.warnings.push_back(
        "the machine does not start by itself with this ratio: at standstill the drag is above the "
        "motor's torque; the operating point is reached only after a push by hand.");
  const auto stable = std::count_if(answer.crossings.begin(), answer.crossings.end(),
                                    [](const Crossing& crossing) { return crossing.stable; });
  if (stable > 1)
    answer.warnings.push_back(fmt::format(
        "the curves cross at {} steady speeds; the one reached from standstill is given.", stable));
  if (answer.settling == Settling::kRuns && desk.setup().motor.extrapolates() == false)
    answer.warnings.push_back(
        "the motor's smooth curve stands for its measured range only: the standstill torque is "
        "unknown, and so is whether the machine starts by itself.");
}

void warn_of_limits(const DriveQuestion& question, DriveAnswer& answer) {
  const AnswerLine* share = answer.find(Figure::kLimitShare);
  if (share && share->estimate.high && *share->estimate.high > 100)
    answer.warnings.push_back(fmt::format(
        "the motor {} its highest permitted speed of {} rpm with this ratio; use a lower one.",
        *share->estimate.value > 100 ? "exceeds" : "may exceed",
        rpm_text(*question.max_motor_speed)));
  const AnswerLine* wheel = answer.find(Figure::kHandwheelSpeed);
  if (wheel && question.max_handwheel_speed &&
      *wheel->estimate.value > rpm_from_rad_per_s(*question.max_handwheel_speed))
    answer.warnings.push_back(
        fmt::format("the hand wheel exceeds its highest permitted speed of "
                    "{} rpm.",
                    rpm_text(*question.max_handwheel_speed)));
  const AnswerLine* power = answer.find(Figure::kShaftPower);
  if (power && question.rated_power && *power->estimate.value > *question.rated_power)
    answer.warnings.push_back(fmt::format(
        "the motor's shaft gives {} here, more than the {} W of its plate, whether that means what "
        "goes in or what comes out: for moments, not for steady sewing.",
        to_text(power->estimate), significant(*question.rated_power, 3)));
  const AnswerLine* speed = answer.find(Figure::kMotorSpeed);
  const AnswerLine* peak = answer.find(Figure::kPeakPowerSpeed);
  if (speed && peak && *speed->estimate.value < 0.5 * *peak->estimate.value)
    answer.warnings.push_back(
        "at full voltage the motor runs below half its peak-power speed, with a heavy current: "
        "feel for heat, and consider a higher ratio.");
}

void warn_of_wide_intervals(DriveAnswer& answer) {
  const AnswerLine* line = answer.find(Figure::kHandwheelSpeed);
  if (!line || !line->estimate.high || !line->estimate.low) return;
  if (*line->estimate.high - *line->estimate.low > 2 * kWide * std::fabs(*line->estimate.value))
    answer.warnings.push_back(
        "the top speed is known poorly, so that its symmetric interval is a rough one; --draws "
        "10000 gives a better one.");
}

void warn_of_speed_seen(DriveAnswer& answer) {
  const AnswerLine* off = answer.find(Figure::kSeenDifference);
  if (off && off->estimate.low && *off->estimate.low > 0)
    answer.warnings.push_back(
        "the top speed seen is above what the curves give, which no drag, belt loss or slip "
        "explains: check the ratio, the supply voltage, and both curves.");
}

void warn_of_wishes(const DriveQuestion& question, DriveAnswer& answer) {
  if (question.wanted_speed && !answer.find(Figure::kWantedLowRatio) &&
      !answer.find(Figure::kWantedHighRatio))
    answer.warnings.push_back(
        fmt::format("no ratio gives the wanted top speed of {} rpm with this motor.",
                    rpm_text(*question.wanted_speed)));
  if (question.extra_nm > 0 && answer.settling == Settling::kRuns &&
      !answer.find(Figure::kLoadedHandwheelSpeed))
    answer.warnings.push_back(
        fmt::format("the sewing load of {} N·m stops the machine at this ratio; try a higher one.",
                    significant(question.extra_nm, 3)));
  warn_of_speed_seen(answer);
  const auto say = [&](SlowRunning running, const char* pedal, bool model) {
    if (running == SlowRunning::kStalls)
      answer.warnings.push_back(fmt::format(
          "with the {} pedal held for the slow speed, the seam stops the machine.", pedal));
    if (running == SlowRunning::kUnsteady)
      answer.warnings.push_back(fmt::format(
          "with a {} pedal no setting holds the slow speed: the motor runs off or stops.", pedal));
    if (running == SlowRunning::kNoModel && model)
      answer.warnings.push_back(
          fmt::format("the motor's model does not say what a {} pedal does, "
                      "so that its steadiness is unknown.",
                      pedal));
  };
  if (!question.slow_speed) return;
  if (answer.with_voltage == SlowRunning::kTooSlow ||
      answer.with_resistance == SlowRunning::kTooSlow)
    answer.warnings.push_back("the wanted slow speed is above what the motor reaches here.");
  say(answer.with_resistance, "resistance", answer.with_voltage == SlowRunning::kNoModel);
  say(answer.with_voltage, "voltage", true);
}

void add_warnings(const DriveDesk& desk, DriveAnswer& answer) {
  answer.warnings = desk.warnings();
  if (const std::string why = why_not_running(answer); !why.empty()) answer.warnings.push_back(why);
  warn_of_settling(desk, answer);
  warn_of_extrapolation(answer);
  warn_of_limits(desk.question(), answer);
  warn_of_wide_intervals(answer);
  warn_of_wishes(desk.question(), answer);
}

const char* settling_word(Settling settling) {
  switch (settling) {
    case Settling::kRuns:
      return "runs";
    case Settling::kNeedsPush:
      return "needs-push";
    case Settling::kTooWeak:
      return "too-weak";
    case Settling::kStillPulling:
      return "still-pulling";
  }
  return "";
}

const char* slow_word(SlowRunning running) {
  switch (running) {
    case SlowRunning::kSteady:
      return "steady";
    case SlowRunning::kStalls:
      return "stalls";
    case SlowRunning::kUnsteady:
      return "unsteady";
    case SlowRunning::kTooSlow:
      return "too-slow";
    case SlowRunning::kNoModel:
      return "unknown";
  }
  return "";
}

Json line_json(const AnswerLine& line) {
  Json json = to_json(line.estimate);
  if (!line.extrapolated.empty()) json["extrapolated"] = line.extrapolated;
  return json;
}

void put_lines(Json& json, const std::vector<AnswerLine>& lines) {
  for (const AnswerLine& line : lines) json[info(line.figure).key] = line_json(line);
}

// The contract promises these keys whatever could be calculated.
void put_unknown_contract_keys(Json& json) {
  for (const Figure figure :
       {Figure::kRatio, Figure::kMotorSpeed, Figure::kHandwheelSpeed, Figure::kShaftPower,
        Figure::kStandstillTorque, Figure::kBestRatio, Figure::kBestHandwheelSpeed})
    if (!json.contains(info(figure).key))
      json[info(figure).key] = to_json(Estimate::unknown(info(figure).unit));
}

Json crossings_json(const DriveAnswer& answer) {
  Json list = Json::array();
  for (const Crossing& crossing : answer.crossings)
    list.push_back({{"motor_speed_rpm", rpm_from_rad_per_s(crossing.motor_speed)},
                    {"stable", crossing.stable}});
  return list;
}

std::string line_text(const char* words, const AnswerLine& line) {
  const Estimate& e = line.estimate;
  const bool exact = e.value && e.low && e.high && *e.low == *e.high;
  const std::string number = exact ? to_text(Estimate::exact(*e.value, e.unit)) : to_text(e);
  return fmt::format(
      "  {:<48} {}{}\n", words, number,
      line.extrapolated.empty() ? "" : "  [extrapolated: " + line.extrapolated + "]");
}

}  // namespace

const AnswerLine* DriveAnswer::find(Figure figure) const { return find_line(lines, figure); }

std::string why_not_running(const DriveAnswer& answer) {
  if (answer.settling == Settling::kTooWeak)
    return fmt::format(
        "there is no operating point: motor {} stalls on machine {} with this ratio, its torque is "
        "below the drag at every speed; try a higher ratio.",
        answer.motor, answer.machine);
  if (answer.settling == Settling::kStillPulling)
    return fmt::format(
        "there is no operating point within reach of the curves: motor {} still out-pulls machine "
        "{} at the highest speed that they say anything about; measure both faster, or try a "
        "higher ratio.",
        answer.motor, answer.machine);
  return {};
}

std::vector<AnswerLine> answer_lines(const DriveDesk& desk, const DriveSetup& setup,
                                     const Figures& figures) {
  std::vector<AnswerLine> lines;
  each_figure(figures, [&](Figure figure, const Propagated& x) {
    lines.push_back({figure, desk.sources().estimate(x, info(figure).factor, info(figure).unit),
                     extrapolation(setup, desk.question(), figures, figure)});
  });
  return lines;
}

DriveAnswer answer(const DriveDesk& desk) {
  const DriveQuestion& question = desk.question();
  const DriveSetup& setup = desk.setup();
  const DriveFindings findings = find_figures(setup, question, Depth::kWithBest);
  DriveAnswer result;
  result.motor = question.motor_name;
  result.machine = question.machine_name;
  result.settling = findings.search.settling;
  result.crossings = findings.search.crossings;
  result.with_resistance = findings.with_resistance;
  result.with_voltage = findings.with_voltage;
  result.slow_asked = question.slow_speed.has_value();
  result.lines = answer_lines(desk, setup, findings.figures);
  if (const AnswerLine* line = result.find(Figure::kMotorSpeed)) {
    result.extrapolated = !line->extrapolated.empty();
    result.top_speed_budget = desk.sources().shares(*findings.figures[Figure::kHandwheelSpeed] *
                                                    info(Figure::kHandwheelSpeed).factor);
  }
  if (setup.what_if_ratio) {
    const DriveSetup then = with_ratio(setup, *setup.what_if_ratio);
    const DriveFindings found = find_figures(then, question, Depth::kAtRatio);
    result.what_if = WhatIf{answer_lines(desk, then, found.figures),
                            change_lines(desk.sources(), changes(findings.figures, found.figures)),
                            found.search.settling};
  }
  add_warnings(desk, result);
  return result;
}

Json to_json(const DriveAnswer& answer) {
  Json json;
  json["motor"] = answer.motor;
  json["machine"] = answer.machine;
  put_lines(json, answer.lines);
  put_unknown_contract_keys(json);
  json["settling"] = settling_word(answer.settling);
  json["crossings"] = crossings_json(answer);
  json["extrapolated"] = answer.extrapolated;
  if (answer.slow_asked)
    json["slow_running"] = {{"resistance", slow_word(answer.with_resistance)},
                            {"voltage", slow_word(answer.with_voltage)}};
  if (answer.what_if) {
    put_lines(json["what_if"], answer.what_if->lines);
    json["what_if"]["settling"] = settling_word(answer.what_if->settling);
    json["what_if"]["change"] = Json::object();
    put_lines(json["what_if"]["change"], answer.what_if->changes);
  }
  json["top_speed_budget"] = Json::array();
  for (const Sources::Share& share : answer.top_speed_budget)
    json["top_speed_budget"].push_back({{"source", share.source}, {"sd_rpm", share.sd}});
  json["intervals"] = answer.draws ? "draws" : "first-order";
  if (answer.draws)
    json["draws"] = {{"number", *answer.draws},
                     {"seed", answer.seed},
                     {"without_operating_point", answer.draws_without_point}};
  json["warnings"] = answer.warnings;
  return json;
}

std::string to_text(const DriveAnswer& answer) {
  std::string text = fmt::format("Motor {} on machine {}\n", answer.motor, answer.machine);
  for (const AnswerLine& line : answer.lines) text += line_text(info(line.figure).words, line);
  if (answer.what_if) {
    text += "What if:\n";
    for (const AnswerLine& line : answer.what_if->lines)
      text += line_text(info(line.figure).words, line);
    text += "Change against today:\n";
    for (const AnswerLine& line : answer.what_if->changes)
      text += line_text(info(line.figure).words, line);
  }
  if (answer.draws)
    text += fmt::format("Intervals (95 %) from {} draws, seed {}", *answer.draws, answer.seed);
  else
    text += "Intervals (95 %) to first order from both curves, the ratio and the belt";
  return text;
}

}  // namespace loadline
