#include "fit/drive/best_ratio.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "fit/drive/root.h"

namespace loadline {
namespace {

constexpr int kGrid = 64;
constexpr double kPeakWithin = 4;    // times the motor's measured range
constexpr double kWheelWithin = 50;  // times the machine's measured range

double peak_search_low(const DriveCurve& motor) { return motor.extrapolates() ? 0 : motor.low(); }
double peak_search_high(const DriveCurve& motor) {
  return motor.extrapolates() ? kPeakWithin * motor.high() : motor.high();
}

// d/dω of (T − τ_b)·ω.
double power_slope(const DriveCurve& motor, double belt_loss, double speed) {
  return motor.torque(speed) - belt_loss + speed * motor.slope(speed);
}

// Power through the belt to the hand wheel, W.
Propagated power_through_belt(const DriveCurve& motor, const LoadLine& line,
                              const Propagated& motor_speed) {
  return (motor.torque(motor_speed) - line.belt_loss) * motor_speed * (1 - line.slip);
}

// Hand-wheel speed at which machine and extra load take `power`.
std::optional<Propagated> speed_that_takes(const DriveCurve& machine, const LoadLine& line,
                                           const Propagated& power) {
  const auto short_of = [&](double speed) {
    return (machine.torque(speed) + line.extra.value) * speed - power.value;
  };
  if (!(power.value > 0)) return std::nullopt;
  const double high = machine.extrapolates() ? kWheelWithin * machine.high() : machine.high();
  const auto speed = root_above(short_of, 0, machine.high() / 16, high);
  if (!speed) return std::nullopt;
  const Propagated held(*speed);
  const double slope = machine.torque(*speed) + line.extra.value + *speed * machine.slope(*speed);
  return implicit_root(*speed, (machine.torque(held) + line.extra) * held - power, slope);
}

}  // namespace

std::optional<Propagated> peak_power_speed(const DriveCurve& motor, const Propagated& belt_loss) {
  const double low = peak_search_low(motor), high = peak_search_high(motor);
  const auto power = [&](double w) { return (motor.torque(w) - belt_loss.value) * w; };
  std::array<double, kGrid + 1> speeds, powers;
  std::size_t best = 0;
  for (std::size_t k = 0; k <= kGrid; ++k) {
    speeds[k] = low + (high - low) * static_cast<double>(k) / kGrid;
    powers[k] = power(speeds[k]);
    if (powers[k] > powers[best]) best = k;
  }
  if (best == 0 || best == kGrid) return std::nullopt;
  const auto slope = [&](double w) { return power_slope(motor, belt_loss.value, w); };
  const double left = speeds[best - 1], right = speeds[best + 1];
  if (!(slope(left) > 0 && slope(right) < 0)) return std::nullopt;
  const double peak = bracketed_root(slope, left, right);
  const Propagated held(peak);
  const double h = 1e-5 * std::max(motor.high(), 1.0);
  const double bend = (slope(peak + h) - slope(peak - h)) / (2 * h);
  return implicit_root(peak, motor.torque(held) - belt_loss + held * motor.slope(held), bend);
}

std::optional<DrivePoint> point_at_motor_speed(const DriveCurve& motor, const DriveCurve& machine,
                                               const LoadLine& line,
                                               const Propagated& motor_speed) {
  const auto wheel = speed_that_takes(machine, line, power_through_belt(motor, line, motor_speed));
  if (!wheel) return std::nullopt;
  return DrivePoint{motor_speed, *wheel, motor_speed * (1 - line.slip) / *wheel};
}

std::optional<DrivePoint> best_for_top_speed(const DriveCurve& motor, const DriveCurve& machine,
                                             const LoadLine& line,
                                             const std::optional<Propagated>& peak_speed) {
  if (!peak_speed) return std::nullopt;
  return point_at_motor_speed(motor, machine, line, *peak_speed);
}

std::vector<DrivePoint> ratios_for_top_speed(const DriveCurve& motor, const DriveCurve& machine,
                                             const LoadLine& line, double handwheel_speed,
                                             const std::optional<Propagated>& peak_speed) {
  std::vector<DrivePoint> points;
  if (!peak_speed) return points;
  const Propagated wheel(handwheel_speed);
  const Propagated wanted = (machine.torque(wheel) + line.extra) * wheel;
  const auto over = [&](double w) {
    return (motor.torque(w) - line.belt_loss.value) * w * (1 - line.slip.value) - wanted.value;
  };
  const double peak = peak_speed->value;
  if (!(over(peak) > 0)) return points;
  const auto add = [&](double low, double high) {
    if (!(over(low) < 0 || over(high) < 0)) return;
    const double speed = bracketed_root(over, low, high);
    const Propagated held(speed);
    const double slope = (1 - line.slip.value) * power_slope(motor, line.belt_loss.value, speed);
    const Propagated motor_speed =
        implicit_root(speed, power_through_belt(motor, line, held) - wanted, slope);
    points.push_back({motor_speed, wheel, motor_speed * (1 - line.slip) / wheel});
  };
  add(peak_search_low(motor), peak);
  double far = motor.extrapolates() ? peak : peak_search_high(motor);
  while (motor.extrapolates() && far < 16 * motor.high() && over(far) > 0) far *= 1.25;
  if (far > peak) add(peak, far);
  return points;
}

std::optional<Propagated> speed_at_torque(const DriveCurve& motor, const Propagated& torque) {
  const auto over = [&](double w) { return motor.torque(w) - torque.value; };
  const double low = peak_search_low(motor), high = peak_search_high(motor);
  std::array<double, kGrid + 1> speeds;
  for (std::size_t k = 0; k <= kGrid; ++k)
    speeds[k] = low + (high - low) * static_cast<double>(k) / kGrid;
  for (const double speed : all_roots(over, speeds)) {
    const double slope = motor.slope(speed);
    if (slope < 0) return implicit_root(speed, motor.torque(Propagated(speed)) - torque, slope);
  }
  return std::nullopt;
}

Propagated spare_torque_at(const DriveCurve& motor, const DriveCurve& machine, const LoadLine& line,
                           double handwheel_speed) {
  return spare_torque(motor, machine, line,
                      Propagated(handwheel_speed) * line.ratio / (1 - line.slip));
}

}  // namespace loadline
