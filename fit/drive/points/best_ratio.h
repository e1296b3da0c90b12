// Which ratio gives the highest top speed, which give a wanted one.
//
// In steady running the hand wheel's power is what the belt lets through:
//   (τ(ω_h) + τ_e)·ω_h = (1 − s)·(T(ω_m) − τ_b)·ω_m .
// The left side rises with ω_h, so the top speed is highest where the motor runs at the peak of
// (T − τ_b)·ω, whatever the machine: its peak-power speed when there is no belt loss. The ratio
// that puts it there follows from the two speeds; no search over ratios is needed. The optimum is
// flat: to first order the top speed does not depend on where exactly the peak lies, the ratio
// does.
//
// A belt whose loss and creep go with the motor pulley (LoadLine::belt) wastes more at a higher
// ratio, so that the best one lies lower: there the motor speed of the highest top speed is
// searched for, each motor speed having the one ratio that holds it.
#pragma once

#include <optional>
#include <vector>

#include "fit/drive/load_lines/load_line.h"

namespace loadline {

/// One way to run: motor at one speed, hand wheel at another, the ratio between them.
struct DrivePoint {
  Propagated motor_speed;      ///< rad/s
  Propagated handwheel_speed;  ///< rad/s
  Propagated ratio;
};

/// Motor speed (rad/s) at the highest peak of (T(ω) − belt_loss)·ω; empty when there is no such
/// peak within four times the measured range (or within it, for a curve that does not extrapolate).
std::optional<Propagated> peak_power_speed(const DriveCurve& motor, const Propagated& belt_loss);

/// Motor speed at the highest top speed over all ratios: the peak above, or what the search finds
/// where the belt goes with the ratio.
std::optional<Propagated> best_motor_speed(const DriveCurve& motor, const DriveCurve& machine,
                                           const LoadLine& line);

/// Ratio with most torque to spare at a hand-wheel speed.
std::optional<Propagated> ratio_of_most_torque(const DriveCurve& motor, const DriveCurve& machine,
                                               const LoadLine& line, double handwheel_speed,
                                               const std::optional<Propagated>& peak_speed);

/// Highest top speed over all ratios, with the motor at `peak_speed`; `line.ratio` is not used.
/// Empty without a peak, or when the machine's curve never takes that power.
std::optional<DrivePoint> best_for_top_speed(const DriveCurve& motor, const DriveCurve& machine,
                                             const LoadLine& line,
                                             const std::optional<Propagated>& peak_speed);

/// The point with the motor held at `motor_speed` (its limit, say), and the ratio that does it.
std::optional<DrivePoint> point_at_motor_speed(const DriveCurve& motor, const DriveCurve& machine,
                                               const LoadLine& line, const Propagated& motor_speed);

/// Ratios that give the wanted top speed (rad/s at the hand wheel): none when it is out of reach,
/// else one with the motor below its peak-power speed (low ratio), and one above it (high ratio:
/// more torque at standstill, less current, a faster and louder motor), by rising ratio.
std::vector<DrivePoint> ratios_for_top_speed(const DriveCurve& motor, const DriveCurve& machine,
                                             const LoadLine& line, double handwheel_speed,
                                             const std::optional<Propagated>& peak_speed);

/// Motor speed (rad/s) at which the motor gives `torque`, on the falling branch of its curve; empty
/// when it does not.
std::optional<Propagated> speed_at_torque(const DriveCurve& motor, const Propagated& torque);

/// Torque to spare at the hand wheel (N·m) at full voltage while it turns at `handwheel_speed`.
Propagated spare_torque_at(const DriveCurve& motor, const DriveCurve& machine, const LoadLine& line,
                           double handwheel_speed);

}  // namespace loadline
