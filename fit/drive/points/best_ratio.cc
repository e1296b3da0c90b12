#include "fit/drive/points/best_ratio.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <type_traits>

#include "fit/drive/load_lines/root.h"

namespace loadline {
namespace {

constexpr int kRatioGrid = 64;
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

// Without derivatives, which a search does not need.
BeltLaw exact(BeltLaw law) {
  for (Propagated* x : {&law.seen.motor_diameter, &law.seen.hand_diameter, &law.seen.loss,
                        &law.seen.slip, &law.seen.torque, &law.exponents.loss, &law.exponents.slip,
                        &law.load_share, &law.hand_diameter})
    *x = x->value;
  law.seen.capacity.reset();
  return law;
}

LoadLine exact(const LoadLine& line) {
  LoadLine result;
  result.ratio = line.ratio.value;
  result.slip = line.slip.value;
  result.creep = line.creep.value;
  result.belt_loss = line.belt_loss.value;
  result.extra = line.extra.value;
  if (line.belt) result.belt = std::make_shared<const BeltLaw>(exact(*line.belt));
  return result;
}

double central(FunctionView f, double x, double h) { return (f(x + h) - f(x - h)) / (2 * h); }

// Ratio that holds the motor at one speed: the lowest at which it pulls the machine there.
std::optional<double> holding_ratio(const DriveCurve& motor, const DriveCurve& machine,
                                    const LoadLine& line, double motor_speed) {
  constexpr double kLowest = 0.02, kStep = 0.25, kHighest = 100;  // of today's ratio
  const double today = line.ratio.value;
  const auto spare = [&](double ratio) {
    return spare_torque(motor, machine, at_ratio(line, ratio), motor_speed);
  };
  return root_above(spare, kLowest * today, kStep * today, kHighest * today);
}

std::optional<DrivePoint> point_with_belt(const DriveCurve& motor, const DriveCurve& machine,
                                          const LoadLine& line, const Propagated& motor_speed) {
  const LoadLine bare = exact(line);
  const auto ratio = holding_ratio(motor, machine, bare, motor_speed.value);
  if (!ratio) return std::nullopt;
  const double slope = central(
      [&](double i) { return spare_torque(motor, machine, at_ratio(bare, i), motor_speed.value); },
      *ratio, 1e-5 * *ratio);
  const Propagated held = implicit_root(
      *ratio, spare_torque(motor, machine, at_ratio(line, *ratio), motor_speed), slope);
  return DrivePoint{motor_speed, handwheel_speed(at_ratio(line, held), motor, motor_speed), held};
}

// Where `value` is highest between `low` and `high`, with its derivatives: `value` rises and falls
// once there; `uncertain` is the same with derivatives.
template <class Uncertainly>
std::optional<Propagated> highest(FunctionView value, Uncertainly uncertain, double low,
                                  double high) {
  constexpr int kPoints = 24;
  const double gap = (high - low) / kPoints;
  int best = 0;
  double most = value(low);
  for (int k = 1; k <= kPoints; ++k)
    if (const double here = value(low + k * gap); here > most) {
      most = here;
      best = k;
    }
  if (best == 0 || best == kPoints) return std::nullopt;
  const double middle = low + best * gap, h = 1e-4 * middle;
  const auto slope = [&](double x) { return central(value, x, h); };
  if (!(slope(middle - gap) > 0 && slope(middle + gap) < 0)) return std::nullopt;
  const double at = bracketed_root(slope, middle - gap, middle + gap);
  const double wide = 1e-3 * at;
  const auto above = uncertain(at + wide), below = uncertain(at - wide);
  if (!above || !below) return std::nullopt;
  const double bend = (value(at + wide) - 2 * value(at) + value(at - wide)) / (wide * wide);
  Propagated residual = (*above - *below) / Propagated(2 * wide);
  return implicit_root(at, residual, bend);
}

std::optional<Propagated> best_motor_speed_with_belt(const DriveCurve& motor,
                                                     const DriveCurve& machine,
                                                     const LoadLine& line) {
  const auto around = peak_power_speed(motor, line.belt_loss.value);
  if (!around) return std::nullopt;
  const LoadLine bare = exact(line);
  const auto wheel = [&](double speed) {
    const auto ratio = holding_ratio(motor, machine, bare, speed);
    return ratio ? handwheel_speed(at_ratio(bare, *ratio), motor, speed) : 0;
  };
  const auto uncertain = [&](double speed) -> std::optional<Propagated> {
    const auto point = point_with_belt(motor, machine, line, speed);
    if (!point) return std::nullopt;
    return point->handwheel_speed;
  };
  constexpr double kLow = 0.3, kHigh = 1.6;  // of the speed without the belt's law
  const double high =
      motor.extrapolates() ? kHigh * around->value : std::min(kHigh * around->value, motor.high());
  return highest(wheel, uncertain, kLow * around->value, high);
}

// Torque to spare at the hand wheel over ratio, at one speed of it.
template <class Number>
Number spare_over_ratio(const DriveCurve& motor, const DriveCurve& machine, const LoadLine& line,
                        double handwheel_speed, const Number& ratio) {
  const LoadLine at = at_ratio(line, ratio);
  const Propagated wheel(handwheel_speed);
  Propagated spare = at.ratio * (motor.torque(motor_speed_at(at, machine, wheel)) - at.belt_loss) -
                     machine.torque(wheel) - at.extra;
  if constexpr (std::is_same_v<Number, double>)
    return spare.value;
  else
    return spare;
}

std::vector<DrivePoint> points_with_belt(const DriveCurve& motor, const DriveCurve& machine,
                                         const LoadLine& line, double wheel,
                                         const Propagated& peak) {
  std::vector<DrivePoint> points;
  const LoadLine bare = exact(line);
  const auto over = [&](double ratio) {
    return spare_over_ratio(motor, machine, bare, wheel, ratio);
  };
  const auto between = ratio_of_most_torque(motor, machine, bare, wheel, peak.value);
  if (!between || !(over(between->value) > 0)) return points;
  const auto add = [&](double low, double high) {
    if (!(over(low) < 0 || over(high) < 0)) return;
    const double at = bracketed_root(over, low, high);
    const Propagated ratio =
        implicit_root(at, spare_over_ratio(motor, machine, line, wheel, Propagated(at)),
                      central(over, at, 1e-5 * at));
    points.push_back(
        {motor_speed_at(at_ratio(line, ratio), machine, Propagated(wheel)), wheel, ratio});
  };
  add(0.02 * between->value, between->value);
  double far = between->value;
  while (far < 100 * between->value && over(far) > 0) far *= 1.25;
  add(between->value, far);
  return points;
}

}  // namespace

std::optional<Propagated> best_motor_speed(const DriveCurve& motor, const DriveCurve& machine,
                                           const LoadLine& line) {
  return line.belt ? best_motor_speed_with_belt(motor, machine, line)
                   : peak_power_speed(motor, line.belt_loss);
}

std::optional<Propagated> ratio_of_most_torque(const DriveCurve& motor, const DriveCurve& machine,
                                               const LoadLine& line, double handwheel_speed,
                                               const std::optional<Propagated>& peak_speed) {
  if (!peak_speed) return std::nullopt;
  const Propagated around = *peak_speed * (1 - line.slip) / Propagated(handwheel_speed);
  if (!line.belt) return around;
  const LoadLine bare = exact(line);
  const auto spare = [&](double ratio) {
    return spare_over_ratio(motor, machine, bare, handwheel_speed, ratio);
  };
  const auto uncertain = [&](double ratio) -> std::optional<Propagated> {
    return spare_over_ratio(motor, machine, line, handwheel_speed, Propagated(ratio));
  };
  return highest(spare, uncertain, 0.3 * around.value, 1.8 * around.value);
}

std::optional<Propagated> peak_power_speed(const DriveCurve& motor, const Propagated& belt_loss) {
  const double low = peak_search_low(motor), high = peak_search_high(motor);
  const auto power = [&](double w) { return (motor.torque(w) - belt_loss.value) * w; };
  std::array<double, kRatioGrid + 1> speeds, powers;
  std::size_t best = 0;
  for (std::size_t k = 0; k <= kRatioGrid; ++k) {
    speeds[k] = low + (high - low) * static_cast<double>(k) / kRatioGrid;
    powers[k] = power(speeds[k]);
    if (powers[k] > powers[best]) best = k;
  }
  if (best == 0 || best == kRatioGrid) return std::nullopt;
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
  if (line.belt) return point_with_belt(motor, machine, line, motor_speed);
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
  if (line.belt) return points_with_belt(motor, machine, line, handwheel_speed, *peak_speed);
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
  std::array<double, kRatioGrid + 1> speeds;
  for (std::size_t k = 0; k <= kRatioGrid; ++k)
    speeds[k] = low + (high - low) * static_cast<double>(k) / kRatioGrid;
  for (const double speed : all_roots(over, speeds)) {
    const double slope = motor.slope(speed);
    if (slope < 0) return implicit_root(speed, motor.torque(Propagated(speed)) - torque, slope);
  }
  return std::nullopt;
}

Propagated spare_torque_at(const DriveCurve& motor, const DriveCurve& machine, const LoadLine& line,
                           double handwheel_speed) {
  const Propagated wheel(handwheel_speed);
  return line.ratio * (motor.torque(motor_speed_at(line, machine, wheel)) - line.belt_loss) -
         machine.torque(wheel) - line.extra;
}

}  // namespace loadline
