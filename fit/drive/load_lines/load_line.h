// The drag of a machine as the motor feels it through the belt.
#pragma once

#include <memory>

#include "fit/drive/load_lines/belt_law.h"
#include "fit/drive/load_lines/drive_curve.h"
#include "fit/drive/load_lines/propagation.h"

namespace loadline {

/// The belt between motor and hand wheel, and what is sewn. With ratio i, belt loss τ_b (at the
/// motor shaft), extra load τ_e (at the hand wheel) and the torque M = T(ω_m) − τ_b that the belt
/// carries (at the motor shaft):
///   s = slip + creep·M,   ω_h = ω_m·(1 − s)/i,   steady when   i·M = τ(ω_h) + τ_e.
struct LoadLine {
  Propagated ratio = 1;      ///< motor speed over hand-wheel speed without slip
  Propagated slip = 0;       ///< fraction of the speed lost whatever is carried
  Propagated creep = 0;      ///< further fraction for each N·m carried, at the motor shaft
  Propagated belt_loss = 0;  ///< N·m at the motor shaft
  Propagated extra = 0;      ///< N·m at the hand wheel
  std::optional<Propagated> capacity;  ///< N·m at the motor shaft: the belt carries no more
  /// What changes slip, creep and loss with the ratio; none where they are given as numbers.
  std::shared_ptr<const BeltLaw> belt;
};

/// The line at another ratio, made by another motor pulley: the belt wastes otherwise there.
inline LoadLine at_ratio(const LoadLine& line, const Propagated& ratio) {
  LoadLine result = line;
  result.ratio = ratio;
  if (!line.belt) return result;
  const BeltState state = belt_on(*line.belt, line.belt->hand_diameter / ratio);
  result.slip = state.slip;
  result.creep = state.creep;
  result.belt_loss = state.loss;
  result.capacity = state.capacity;
  return result;
}

/// Fraction of the speed lost while the belt carries `torque` (N·m at the motor shaft).
inline double slip_at(const LoadLine& line, double torque) {
  return line.slip.value + line.creep.value * torque;
}
inline Propagated slip_at(const LoadLine& line, const Propagated& torque) {
  return line.creep.value == 0 ? line.slip : line.slip + line.creep * torque;
}

/// Torque at the hand wheel (N·m) as it stands still at full voltage, before the machine's drag:
/// what the motor gives or, where that is less, the belt carries.
inline Propagated pull_at_rest(const LoadLine& line, const DriveCurve& motor) {
  const Propagated given = motor.torque(Propagated(0)) - line.belt_loss;
  const bool slips = line.capacity && line.capacity->value < given.value;
  return line.ratio * (slips ? *line.capacity : given);
}

/// Hand-wheel speed at a motor speed, while the motor gives all that it can there.
inline double handwheel_speed(const LoadLine& line, const DriveCurve& motor, double motor_speed) {
  const double carried =
      line.creep.value == 0 ? 0 : motor.torque(motor_speed) - line.belt_loss.value;
  return motor_speed * (1 - slip_at(line, carried)) / line.ratio.value;
}
inline Propagated handwheel_speed(const LoadLine& line, const DriveCurve& motor,
                                  const Propagated& motor_speed) {
  const Propagated slip =
      line.creep.value == 0 ? line.slip : slip_at(line, motor.torque(motor_speed) - line.belt_loss);
  return motor_speed * (1 - slip) / line.ratio;
}

/// Hand-wheel speed at a motor speed, while the belt carries no more than machine and extra load
/// ask.
inline Propagated handwheel_under_load(const LoadLine& line, const DriveCurve& machine,
                                       const Propagated& motor_speed) {
  Propagated wheel = motor_speed * (1 - line.slip) / line.ratio;
  if (line.creep.value == 0) return wheel;
  constexpr int kRounds = 8;  // each takes a hundredth of the last one's error
  for (int round = 0; round < kRounds; ++round)
    wheel = motor_speed * (1 - slip_at(line, (machine.torque(wheel) + line.extra) / line.ratio)) /
            line.ratio;
  return wheel;
}

/// Motor speed while the machine runs steadily at a hand-wheel speed, under the line's extra load.
inline Propagated motor_speed_at(const LoadLine& line, const DriveCurve& machine,
                                 const Propagated& wheel_speed) {
  const Propagated slip =
      line.creep.value == 0
          ? line.slip
          : slip_at(line, (machine.torque(wheel_speed) + line.extra) / line.ratio);
  return wheel_speed * line.ratio / (1 - slip);
}

/// Torque left over at the hand wheel (N·m): what accelerates the machine; 0 in steady running.
inline double spare_torque(const DriveCurve& motor, const DriveCurve& machine, const LoadLine& line,
                           double motor_speed) {
  const double carried = motor.torque(motor_speed) - line.belt_loss.value;
  const double wheel = motor_speed * (1 - slip_at(line, carried)) / line.ratio.value;
  return line.ratio.value * carried - machine.torque(wheel) - line.extra.value;
}
inline Propagated spare_torque(const DriveCurve& motor, const DriveCurve& machine,
                               const LoadLine& line, const Propagated& motor_speed) {
  const Propagated carried = motor.torque(motor_speed) - line.belt_loss;
  const Propagated wheel = motor_speed * (1 - slip_at(line, carried)) / line.ratio;
  return line.ratio * carried - machine.torque(wheel) - line.extra;
}

/// d spare_torque / d motor speed; negative where running is stable.
inline double spare_torque_slope(const DriveCurve& motor, const DriveCurve& machine,
                                 const LoadLine& line, double motor_speed) {
  const double carried = motor.torque(motor_speed) - line.belt_loss.value;
  const double slope = motor.slope(motor_speed);
  const double passed = 1 - slip_at(line, carried);
  const double reduction = (passed - motor_speed * line.creep.value * slope) / line.ratio.value;
  return line.ratio.value * slope -
         machine.slope(motor_speed * passed / line.ratio.value) * reduction;
}

}  // namespace loadline
