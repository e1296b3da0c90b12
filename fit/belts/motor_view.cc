#include "fit/belts/motor_view.h"

#include <algorithm>
#include <cmath>

#include "db/basis/units.h"
#include "fit/equations/motor_equation.h"

namespace loadline {
namespace {

// Motor torque at the session's supply, as far as the curve can be moved there.
Curve at_supply(const Curve& motor, const std::optional<double>& supply_v) {
  if (!motor.supply_v || !supply_v) return motor;
  return at_voltage(motor, *supply_v / *motor.supply_v).value_or(motor);
}

struct Place {
  double motor_speed = 0, hand_speed = 0;  // rad/s
  double relative_sd = 0;                  // of both, from run to run
};

Place place_of(const BeltResult& belt) {
  Place place;
  place.motor_speed = rad_per_s_from_rpm(*belt.motor_speed->value);
  place.hand_speed = rad_per_s_from_rpm(belt.top_speed.value.value_or(0));
  if (belt.top_speed.low && belt.top_speed.high)
    place.relative_sd = (*belt.top_speed.high - *belt.top_speed.low) / 4 / *belt.top_speed.value;
  return place;
}

}  // namespace

std::optional<Curve> at_voltage(const Curve& motor, double factor) {
  const MotorEquation* const equation = motor_equation(motor.model);
  if (!equation || !equation->moves_with_voltage()) return std::nullopt;
  Curve moved = motor;
  moved.scale_parameters(parameter_factors(*equation, moved.parameter_names.size(),
                                           &MotorParameter::by_voltage, factor));
  if (moved.supply_v) *moved.supply_v *= factor;
  return moved;
}

std::optional<KnownEffect> supply_effect_from_curve(const Curve& motor, double motor_speed,
                                                    const Curve* drag, double ratio,
                                                    const std::string& source) {
  constexpr double kStep = 1e-3;
  const auto up = at_voltage(motor, 1 + kStep), down = at_voltage(motor, 1 - kStep);
  const double torque = motor.torque(motor_speed);
  if (!up || !down || !(torque > 0)) return std::nullopt;
  const double by_voltage = (up->torque(motor_speed) - down->torque(motor_speed)) / (2 * kStep);
  const auto effect = [&](double drag_slope) {
    return by_voltage / (motor_speed * (drag_slope - motor.slope(motor_speed)));
  };
  if (drag && ratio > 0) {
    // τ(ω/i)/i at the motor shaft, so that its slope there is τ′/i².
    const double value = effect(drag->slope(motor_speed / ratio) / (ratio * ratio));
    return KnownEffect{value, 0.15 * std::fabs(value), source};
  }
  const double least = effect(2 * torque / motor_speed), most = effect(0);
  if (!(least > 0) || !(most > 0)) return std::nullopt;
  return KnownEffect{(least + most) / 2,
                     std::hypot((most - least) / std::sqrt(12.0), 0.1 * (least + most) / 2),
                     source};
}

void add_belt_costs(BeltComparison& comparison, const Curve& motor, const Curve* drag) {
  if (comparison.belts.size() < 2 || !comparison.belts.front().motor_speed) return;
  const Curve curve = at_supply(motor, comparison.supply_v);
  const Place best = place_of(comparison.belts.front());
  if (comparison.at_motor) drag = nullptr;
  for (BeltResult& belt : comparison.belts) {
    if (!belt.motor_speed) continue;
    const Place here = place_of(belt);
    double extra = curve.torque(here.motor_speed) - curve.torque(best.motor_speed);
    if (drag)
      extra -= drag->torque(here.hand_speed) * here.hand_speed / here.motor_speed -
               drag->torque(best.hand_speed) * best.hand_speed / best.motor_speed;
    const Eigen::VectorXd gradient =
        curve.gradient(here.motor_speed) - curve.gradient(best.motor_speed);
    double variance = gradient.dot(curve.covariance * gradient);
    for (const Place* place : {&here, &best})
      variance +=
          std::pow(curve.slope(place->motor_speed) * place->motor_speed * place->relative_sd, 2);
    const bool known = here.relative_sd > 0 && best.relative_sd > 0;
    const double half = curve.coverage_factor() * std::sqrt(std::max(0.0, variance));
    const bool is_best = &belt == &comparison.belts.front();
    Estimate torque = known && !is_best ? Estimate::with_half_width(extra, half, "N·m")
                                        : Estimate::exact(extra, "N·m");
    belt.extra_power = torque.scaled(here.motor_speed, "W");
    belt.extra_torque = torque.scaled(1000, "mN·m");
    if (!curve.measured_at(here.motor_speed))
      comparison.warnings.push_back(
          belt.name +
          ": the motor ran outside the speeds of its curve, so that what the belt "
          "costs is extrapolated");
  }
  if (!drag)
    comparison.warnings.push_back(
        "what the belts cost is a lower limit: without the machine's drag curve ('loadline-fit "
        "drag') it is taken to need as much torque at either speed");
}

}  // namespace loadline
