#include "fit/drive/answer.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/units.h"
#include "fit/drive/answer_warnings.h"
#include "fit/drive/figures/slow_stitching.h"
#include "fit/drive/load_lines/drive_constants.h"

namespace loadline {
namespace {

using namespace drive_chosen;

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

double motor_speed_for(const LoadLine& line, const DriveSetup& setup, double wheel_speed) {
  return motor_speed_at(line, setup.machine, wheel_speed).value;
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
  return beyond_at(setup,
                   motor_speed_for(at_ratio(setup.line, f[ratio]->value), setup, f[wheel]->value),
                   f[wheel]->value);
}

std::string slow_beyond(const DriveSetup& setup, const DriveQuestion& question) {
  const double slow = question.slow_speed.value_or(0);
  return beyond_at(setup, motor_speed_for(setup.line, setup, slow), slow);
}

std::string marks_beyond(const DriveSetup& setup, const DriveQuestion& question) {
  DriveSetup with_control = setup;
  with_control.motor = *setup.marks;
  return slow_beyond(with_control, question);
}

std::string seen_beyond(const DriveSetup& setup, const DriveQuestion& question) {
  const double seen = question.seen_top_speed->value;
  return beyond_at(setup, motor_speed_for(setup.line, setup, seen), seen);
}

std::string wanted_beyond(const DriveSetup& setup, const DriveQuestion& question, const Figures& f,
                          Figure ratio) {
  const double wheel = question.wanted_speed.value_or(0);
  return beyond_at(setup, motor_speed_for(at_ratio(setup.line, f[ratio]->value), setup, wheel),
                   wheel);
}

// Which curve a figure leans on outside its measured range.
std::string extrapolation(const DriveSetup& setup, const DriveQuestion& question, const Figures& f,
                          Figure figure) {
  switch (figure) {
    case Figure::kRatio:
    case Figure::kBeltSlip:
    case Figure::kBeltLoss:
    case Figure::kBeltCapacity:
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
    case Figure::kResistanceLeastSpeed:
    case Figure::kVoltageLeastSpeed:
      return slow_beyond(setup, question);
    case Figure::kPedalMark:
    case Figure::kMarkDrop:
    case Figure::kMarkStallTorque:
    case Figure::kMarkLeastSpeed:
      return marks_beyond(setup, question);
    default:
      return beyond_at(setup, f, Figure::kMotorSpeed, Figure::kHandwheelSpeed);
  }
}

// Within what can be: no share above the whole, no speed below none.
Estimate possible(Estimate e, const FigureInfo& figure) {
  for (std::optional<double>* x : {&e.value, &e.low, &e.high})
    if (*x) *x = std::clamp(**x, figure.least * figure.factor, figure.most * figure.factor);
  return e;
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
  result.line = at_ratio(setup.line, ratio);
  return result;
}

void leave_out_other_pedals(DriveAnswer& answer, Pedal asked) {
  for (const PedalFigures& figures : kPedalFigures) {
    if (figures.pedal == asked) continue;
    std::erase_if(answer.lines, [&](const AnswerLine& line) {
      return line.figure == figures.setting || line.figure == figures.drop ||
             line.figure == figures.stall;
    });
    answer.slow[figures.pedal] = SlowRunning::kNotAnswered;
  }
}

}  // namespace

const AnswerLine* DriveAnswer::find(Figure figure) const {
  const auto found = std::find_if(lines.begin(), lines.end(),
                                  [&](const AnswerLine& line) { return line.figure == figure; });
  return found == lines.end() ? nullptr : &*found;
}

std::vector<AnswerLine> answer_lines(const DriveDesk& desk, const DriveSetup& setup,
                                     const Figures& figures) {
  std::vector<AnswerLine> lines;
  each_figure(figures, [&](Figure figure, const Propagated& x) {
    const Estimate estimate = desk.sources().estimate(x, info(figure).factor, info(figure).unit);
    lines.push_back({figure, possible(estimate, info(figure)),
                     extrapolation(setup, desk.question(), figures, figure)});
  });
  return lines;
}

DriveAnswer first_order_answer(const DriveDesk& desk) {
  const DriveQuestion& question = desk.question();
  const DriveSetup& setup = desk.setup();
  const DriveFindings findings = find_figures(setup, question, Depth::kWithBest);
  DriveAnswer result;
  result.motor = question.motor_name;
  result.machine = question.machine_name;
  result.settling = findings.search.settling;
  result.crossings = findings.search.crossings;
  for (const PedalFigures& pedal : kPedalFigures)
    result.slow[pedal.pedal] = findings.slow[pedal.pedal].running;
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
  if (question.only_pedal) leave_out_other_pedals(result, *question.only_pedal);
  return result;
}

DriveAnswer answer(const DriveDesk& desk) {
  DriveAnswer result = first_order_answer(desk);
  refine_slow_stitching(desk, result);
  add_warnings(desk, result);
  return result;
}

}  // namespace loadline
