// The drag of a machine as the motor feels it through the belt.
#pragma once

#include "fit/drive/drive_curve.h"
#include "fit/drive/propagation.h"

namespace loadline {

/// The belt between motor and hand wheel, and what is sewn. With ratio i, slip s, belt loss τ_b (at
/// the motor shaft) and extra load τ_e (at the hand wheel):
///   ω_h = ω_m·(1 − s)/i,   steady when   i·(T(ω_m) − τ_b) = τ(ω_h) + τ_e.
struct LoadLine {
  Propagated ratio = 1;      ///< motor speed over hand-wheel speed without slip
  Propagated slip = 0;       ///< fraction of the speed lost in the belt, 0 ≤ s < 1
  Propagated belt_loss = 0;  ///< N·m at the motor shaft
  Propagated extra = 0;      ///< N·m at the hand wheel
};

/// Hand-wheel speed at a motor speed.
inline double handwheel_speed(const LoadLine& line, double motor_speed) {
  return motor_speed * (1 - line.slip.value) / line.ratio.value;
}
inline Propagated handwheel_speed(const LoadLine& line, const Propagated& motor_speed) {
  return motor_speed * (1 - line.slip) / line.ratio;
}

/// Torque left over at the hand wheel (N·m): what accelerates the machine; 0 in steady running.
inline double spare_torque(const DriveCurve& motor, const DriveCurve& machine, const LoadLine& line,
                           double motor_speed) {
  return line.ratio.value * (motor.torque(motor_speed) - line.belt_loss.value) -
         machine.torque(handwheel_speed(line, motor_speed)) - line.extra.value;
}
inline Propagated spare_torque(const DriveCurve& motor, const DriveCurve& machine,
                               const LoadLine& line, const Propagated& motor_speed) {
  return line.ratio * (motor.torque(motor_speed) - line.belt_loss) -
         machine.torque(handwheel_speed(line, motor_speed)) - line.extra;
}

/// d spare_torque / d motor speed; negative where running is stable.
inline double spare_torque_slope(const DriveCurve& motor, const DriveCurve& machine,
                                 const LoadLine& line, double motor_speed) {
  const double reduction = (1 - line.slip.value) / line.ratio.value;
  return line.ratio.value * motor.slope(motor_speed) -
         machine.slope(handwheel_speed(line, motor_speed)) * reduction;
}

}  // namespace loadline
