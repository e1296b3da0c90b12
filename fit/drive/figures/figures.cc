#include "fit/drive/figures/figures.h"

#include <cmath>
#include <limits>

#include "db/basis/units.h"
#include "fit/drive/points/best_ratio.h"

namespace loadline {
namespace {

constexpr double kRpm = 30.0 / kPi;
constexpr double kPercent = 100;

// In the order of the enumeration.
constexpr double kAny = std::numeric_limits<double>::infinity();

constexpr std::array<FigureInfo, kFigureCount> kInfo = {{
    {"ratio", "ratio", "", 1, 0, kAny},
    {"motor_speed", "motor speed", "rpm", kRpm, 0, kAny},
    {"handwheel_speed", "top speed of the hand wheel", "rpm", kRpm, 0, kAny},
    {"stitch_rate", "stitches per minute", "1/min", kRpm, 0, kAny},
    {"shaft_power", "power at the motor shaft", "W", 1, 0, kAny},
    {"motor_torque", "torque at the motor shaft", "N·m", 1, 0, kAny},
    {"handwheel_torque", "torque at the hand wheel", "N·m", 1, 0, kAny},
    {"belt_power", "power lost in the belt", "W", 1, -kAny, kAny},
    {"belt_slip", "belt slip", "%", kPercent, -kAny, 1},
    {"belt_loss", "belt loss at the motor shaft", "N·m", 1, -kAny, kAny},
    {"belt_capacity", "torque at the hand wheel at which the belt slips", "N·m", 1, 0, kAny},
    {"belt_use", "share of that in use at top speed", "%", kPercent, 0, kAny},
    {"peak_power", "motor's peak power", "W", 1, 0, kAny},
    {"peak_power_speed", "motor speed at its peak power", "rpm", kRpm, 0, kAny},
    {"power_share", "share of the motor's peak power in use", "%", kPercent, 0, 1},
    {"standstill_torque", "standstill torque at the hand wheel", "N·m", 1, 0, kAny},
    {"starting_reserve", "standstill torque beyond the machine's drag", "N·m", 1, -kAny, kAny},
    {"needle_force", "needle force at mid-stroke, from standstill", "N", 1, 0, kAny},
    {"best_ratio", "best ratio for top speed", "", 1, 0, kAny},
    {"best_handwheel_speed", "top speed at the best ratio", "rpm", kRpm, 0, kAny},
    {"best_gain", "top speed to gain by the best ratio", "%", kPercent, 0, kAny},
    {"limit_share", "motor speed in per cent of its limit", "%", kPercent, 0, kAny},
    {"limited_best_ratio", "best ratio that keeps the motor's limit", "", 1, 0, kAny},
    {"limited_best_handwheel_speed", "top speed at that ratio", "rpm", kRpm, 0, kAny},
    {"loaded_handwheel_speed", "hand wheel speed under the sewing load", "rpm", kRpm, 0, kAny},
    {"loaded_motor_speed", "motor speed under the sewing load", "rpm", kRpm, 0, kAny},
    {"speed_loss", "speed lost under the sewing load", "%", kPercent, 0, 1},
    {"wanted_low_ratio", "lower ratio for the wanted top speed", "", 1, 0, kAny},
    {"wanted_high_ratio", "higher ratio for the wanted top speed", "", 1, 0, kAny},
    {"slow_spare_torque", "torque to spare at the slow speed", "N·m", 1, -kAny, kAny},
    {"slow_best_ratio", "ratio with most torque at the slow speed", "", 1, 0, kAny},
    {"pedal_resistance", "pedal resistance for the slow speed", "Ω", 1, 0, kAny},
    {"resistance_drop", "speed drop under the seam, resistance pedal", "%", kPercent, 0, 1},
    {"resistance_stall_torque", "torque left as it stalls, resistance pedal", "N·m", 1, -kAny,
     kAny},
    {"resistance_least_speed", "lowest speed in a stitch, resistance pedal", "rpm", kRpm, 0, kAny},
    {"pedal_voltage", "voltage for the slow speed, of the supply", "%", kPercent, 0, 1},
    {"voltage_drop", "speed drop under the seam, voltage pedal", "%", kPercent, 0, 1},
    {"voltage_stall_torque", "torque left as it stalls, voltage pedal", "N·m", 1, -kAny, kAny},
    {"voltage_least_speed", "lowest speed in a stitch, voltage pedal", "rpm", kRpm, 0, kAny},
    {"pedal_mark", "pedal's mark for the slow speed", "", 1, -kAny, kAny},
    {"mark_drop", "speed drop under the seam, measured pedal", "%", kPercent, 0, 1},
    {"mark_stall_torque", "torque left as it stalls, measured pedal", "N·m", 1, -kAny, kAny},
    {"mark_least_speed", "lowest speed in a stitch, measured pedal", "rpm", kRpm, 0, kAny},
    {"seen_difference", "top speed seen against the one expected", "%", kPercent, -1, kAny},
    {"seen_drag_scale", "drag that explains it, times the curve's", "", 1, -kAny, kAny},
    {"seen_belt_loss", "or: further belt loss at the motor shaft", "N·m", 1, -kAny, kAny},
    {"seen_slip", "or: belt slip altogether", "%", kPercent, -kAny, 1},
}};

void add_operating_point(const DriveSetup& setup, const DriveQuestion& question,
                         DriveFindings& findings) {
  findings.search = find_operating_point(setup.motor, setup.machine, setup.line);
  if (!findings.search.motor_speed) return;
  Figures& f = findings.figures;
  const Propagated motor_speed =
      operating_speed(setup.motor, setup.machine, setup.line, *findings.search.motor_speed);
  const Propagated wheel_speed = handwheel_speed(setup.line, setup.motor, motor_speed);
  const Propagated torque = setup.motor.torque(motor_speed);
  f[Figure::kMotorSpeed] = motor_speed;
  f[Figure::kHandwheelSpeed] = wheel_speed;
  f[Figure::kStitchRate] = wheel_speed * question.stitches_per_turn;
  f[Figure::kMotorTorque] = torque;
  f[Figure::kShaftPower] = torque * motor_speed;
  f[Figure::kHandwheelTorque] = setup.machine.torque(wheel_speed);
  if (setup.line.capacity)
    f[Figure::kBeltUse] = *f[Figure::kHandwheelTorque] / (*setup.line.capacity * setup.line.ratio);
  if (const Propagated slip = slip_at(setup.line, torque - setup.line.belt_loss); slip.value != 0)
    f[Figure::kBeltSlip] = slip;
  if (f[Figure::kBeltSlip] || setup.line.belt_loss.value != 0)
    f[Figure::kBeltPower] = *f[Figure::kShaftPower] - *f[Figure::kHandwheelTorque] * wheel_speed;
  if (question.max_motor_speed) f[Figure::kLimitShare] = motor_speed / *question.max_motor_speed;
}

void add_standstill(const DriveSetup& setup, const DriveQuestion& question, Figures& f) {
  if (!setup.motor.extrapolates()) return;
  const Propagated rest(0);
  f[Figure::kStandstillTorque] =
      setup.line.ratio * (setup.motor.torque(rest) - setup.line.belt_loss);
  const Propagated drag =
      setup.machine.torque(Propagated(setup.machine.extrapolates() ? 0 : setup.machine.low()));
  if (question.stroke_m) {
    const Propagated left = pull_at_rest(setup.line, setup.motor) - drag;
    f[Figure::kNeedleForce] = left.value > 0 ? left / (*question.stroke_m / 2) : Propagated(0);
  }
  if (setup.machine.extrapolates())
    f[Figure::kStartingReserve] = *f[Figure::kStandstillTorque] - drag;
}

void add_loaded(const DriveSetup& setup, const DriveQuestion& question, DriveFindings& findings) {
  if (!(question.extra_nm > 0)) return;
  LoadLine loaded = setup.line;
  loaded.extra = question.extra_nm;
  findings.loaded_search = find_operating_point(setup.motor, setup.machine, loaded);
  if (!findings.loaded_search.motor_speed) return;
  Figures& f = findings.figures;
  f[Figure::kLoadedMotorSpeed] =
      operating_speed(setup.motor, setup.machine, loaded, *findings.loaded_search.motor_speed);
  f[Figure::kLoadedHandwheelSpeed] =
      handwheel_speed(loaded, setup.motor, *f[Figure::kLoadedMotorSpeed]);
  if (f[Figure::kMotorSpeed])
    f[Figure::kSpeedLoss] = 1.0 - *f[Figure::kLoadedMotorSpeed] / *f[Figure::kMotorSpeed];
}

void add_peak(const DriveSetup& setup, const std::optional<Propagated>& free_peak, Figures& f) {
  if (!free_peak) return;
  f[Figure::kPeakPowerSpeed] = free_peak;
  f[Figure::kPeakPower] = setup.motor.torque(*free_peak) * *free_peak;
  if (f[Figure::kShaftPower])
    f[Figure::kPowerShare] = *f[Figure::kShaftPower] / *f[Figure::kPeakPower];
}

void add_best(const DriveSetup& setup, const DriveQuestion& question,
              const std::optional<Propagated>& peak, Figures& f) {
  const auto best = best_for_top_speed(setup.motor, setup.machine, setup.line, peak);
  if (best) {
    f[Figure::kBestRatio] = best->ratio;
    f[Figure::kBestHandwheelSpeed] = best->handwheel_speed;
    if (f[Figure::kHandwheelSpeed])
      f[Figure::kBestGain] = best->handwheel_speed / *f[Figure::kHandwheelSpeed] - 1.0;
  }
  if (!question.max_motor_speed || !peak) return;
  const bool limited = peak->value > *question.max_motor_speed;
  const auto within = limited ? point_at_motor_speed(setup.motor, setup.machine, setup.line,
                                                     *question.max_motor_speed)
                              : best;
  if (!within) return;
  f[Figure::kLimitedBestRatio] = within->ratio;
  f[Figure::kLimitedBestHandwheelSpeed] = within->handwheel_speed;
}

void add_wanted(const DriveSetup& setup, const DriveQuestion& question,
                const std::optional<Propagated>& peak, Figures& f) {
  if (!question.wanted_speed || !peak) return;
  for (const DrivePoint& point :
       ratios_for_top_speed(setup.motor, setup.machine, setup.line, *question.wanted_speed, peak)) {
    const bool above = point.motor_speed.value > peak->value;
    f[above ? Figure::kWantedHighRatio : Figure::kWantedLowRatio] = point.ratio;
  }
}

// r = ρ·K with K = V²/A.
std::optional<Propagated> ohms(const DriveCurve& motor, const Propagated& setting) {
  if (!motor.supply_v()) return std::nullopt;
  return setting * (*motor.supply_v() * *motor.supply_v()) / motor.parameter("A");
}

// The pedal's travel may bend between its marks, but it leaves them nowhere.
Propagated mark_at(const DriveCurve& marks, const DriveQuestion& question,
                   const Propagated& setting) {
  const Propagated along = setting + 4.0 * setting * (1.0 - setting) * marks.parameter("travel");
  const double part = along.value;
  return question.mark_less + (question.mark_more - question.mark_less) * (part < 0 ? Propagated(0)
                                                                           : part > 1
                                                                               ? Propagated(1)
                                                                               : along);
}

// What a person sets the pedal to.
std::optional<Propagated> shown_setting(const DriveCurve& motor, const DriveQuestion& question,
                                        Pedal pedal, const Propagated& setting) {
  if (pedal == Pedal::kResistance) return ohms(motor, setting);
  return pedal == Pedal::kMarks ? mark_at(motor, question, setting) : setting;
}

void add_slow(const DriveSetup& setup, const DriveQuestion& question,
              const std::optional<Propagated>& peak, DriveFindings& findings) {
  if (!question.slow_speed) return;
  Figures& f = findings.figures;
  const double slow = *question.slow_speed;
  const double motor_speed = motor_speed_at(setup.line, setup.machine, slow).value;
  if (setup.motor.extrapolates() ||
      (motor_speed >= setup.motor.low() && motor_speed <= setup.motor.high()))
    f[Figure::kSlowSpareTorque] = spare_torque_at(setup.motor, setup.machine, setup.line, slow);
  f[Figure::kSlowBestRatio] =
      ratio_of_most_torque(setup.motor, setup.machine, setup.line, slow, peak);

  find_slow(setup, question, findings);
}

// Which drag, belt loss or slip would make the expected top speed the one that was seen.
void add_explanation(const DriveSetup& setup, DriveFindings& findings) {
  if (!setup.seen_top_speed) return;
  const LoadLine& line = setup.line;
  Figures& f = findings.figures;
  const Propagated wheel = *setup.seen_top_speed;
  if (f[Figure::kHandwheelSpeed])
    f[Figure::kSeenDifference] = wheel / *f[Figure::kHandwheelSpeed] - 1.0;
  const Propagated drag = setup.machine.torque(wheel);
  const Propagated torque = setup.motor.torque(motor_speed_at(line, setup.machine, wheel));
  f[Figure::kSeenDragScale] = (line.ratio * (torque - line.belt_loss) - line.extra) / drag;
  f[Figure::kSeenBeltLoss] = torque - (drag + line.extra) / line.ratio - line.belt_loss;
  const Propagated needed = (drag + line.extra) / line.ratio + line.belt_loss;
  if (const auto speed = speed_at_torque(setup.motor, needed))
    f[Figure::kSeenSlip] = 1.0 - line.ratio * wheel / *speed;
}

constexpr std::array kOfTheRatio = {Figure::kRatio,
                                    Figure::kMotorSpeed,
                                    Figure::kHandwheelSpeed,
                                    Figure::kStitchRate,
                                    Figure::kShaftPower,
                                    Figure::kMotorTorque,
                                    Figure::kHandwheelTorque,
                                    Figure::kStandstillTorque,
                                    Figure::kNeedleForce,
                                    Figure::kLoadedHandwheelSpeed,
                                    Figure::kSlowSpareTorque,
                                    Figure::kResistanceDrop,
                                    Figure::kVoltageDrop,
                                    Figure::kResistanceStallTorque,
                                    Figure::kVoltageStallTorque,
                                    Figure::kMarkDrop,
                                    Figure::kMarkStallTorque};

}  // namespace

void find_slow(const DriveSetup& setup, const DriveQuestion& question, DriveFindings& findings) {
  if (!question.slow_speed) return;
  Figures& f = findings.figures;
  for (const PedalFigures& figures : kPedalFigures) {
    const DriveCurve* motor = motor_with(setup, figures.pedal);
    if (!motor) continue;
    const Steadiness found = slow_steadiness(*motor, setup.machine, setup.line, figures.pedal,
                                             *question.slow_speed, question.seam_nm);
    SlowOutcome& outcome = findings.slow[figures.pedal];
    outcome.running = found.running;
    f[figures.drop] = found.drop;
    f[figures.stall] = found.stall_torque;
    if (!found.setting) continue;
    outcome.setting = found.setting->value;
    f[figures.setting] = shown_setting(*motor, question, figures.pedal, *found.setting);
  }
}

const FigureInfo& info(Figure figure) { return kInfo[static_cast<std::size_t>(figure)]; }

DriveFindings find_figures(const DriveSetup& setup, const DriveQuestion& question, Depth depth) {
  DriveFindings findings;
  findings.figures[Figure::kRatio] = setup.line.ratio;
  if (setup.line.slip.value != 0 && setup.line.creep.value == 0)
    findings.figures[Figure::kBeltSlip] = setup.line.slip;
  if (setup.line.belt_loss.value != 0) findings.figures[Figure::kBeltLoss] = setup.line.belt_loss;
  if (setup.line.capacity)
    findings.figures[Figure::kBeltCapacity] = *setup.line.capacity * setup.line.ratio;
  add_operating_point(setup, question, findings);
  add_standstill(setup, question, findings.figures);
  add_loaded(setup, question, findings);
  std::optional<Propagated> peak;
  if (depth == Depth::kWithBest) {
    const auto free_peak = peak_power_speed(setup.motor, 0);
    const bool lossy = setup.line.belt_loss.value != 0 || question.belt_loss.sd > 0;
    peak = lossy || setup.line.belt ? best_motor_speed(setup.motor, setup.machine, setup.line)
                                    : free_peak;
    add_peak(setup, free_peak, findings.figures);
    add_best(setup, question, peak, findings.figures);
    add_wanted(setup, question, peak, findings.figures);
  }
  add_slow(setup, question, peak, findings);
  if (depth == Depth::kWithBest) add_explanation(setup, findings);
  return findings;
}

Figures changes(const Figures& today, const Figures& then) {
  Figures result;
  for (const Figure figure : kOfTheRatio)
    if (today[figure] && then[figure] && today[figure]->value != 0)
      result[figure] = *then[figure] / *today[figure] - 1.0;
  return result;
}

}  // namespace loadline
