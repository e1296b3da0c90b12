#include "fit/motors/motor_results.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numbers>

#include "db/basis/units.h"
#include "fit/curves/results.h"
#include "fit/equations/motor_constants.h"
#include "fit/equations/motor_equation.h"

namespace loadline {
namespace {

using namespace motor_chosen;

// Those of a spline are torques of either sign.
bool positive_parameter(const std::string& name) {
  const MotorParameter* const known = motor_parameter(name);
  return known && known->positive;
}

void set_parameters(MotorFit& fit) {
  const double t = fit.curve.coverage_factor();
  for (std::size_t i = 0; i < fit.curve.parameter_names.size(); ++i) {
    const auto at = static_cast<Eigen::Index>(i);
    const std::string& name = fit.curve.parameter_names[i];
    const double value = fit.curve.parameters[at];
    const double sd = std::sqrt(std::max(0.0, fit.curve.covariance(at, at)));
    fit.parameters.emplace_back(
        name, positive_parameter(name)
                  ? positive_estimate(value, sd, t, parameter_unit(name))
                  : Estimate::with_half_width(value, t * sd, parameter_unit(name)));
  }
}

double greatest_warm_up(const MotorFit& fit) {
  double greatest = 0;
  for (const RunFinding& found : fit.findings)
    greatest = std::max(greatest, std::fabs(found.warm_up.value.value_or(0)) / 100);
  return greatest;
}

// On alternating current a series motor's torque swings between nothing and twice its mean, twice a
// period, and the speed with it by torque/(4πf·J). Were the current to follow the speed at once,
// the two would be a quarter of a turn apart and the mean torque that of the mean speed but for the
// second order, of which this is a share (seen on the simulated bench). Its winding makes it late:
// of drawn circuits (tests/study/mains_swing.py) the mean torque is larger by 0.12 of the swing, in
// the root of the mean square 0.13, as a share of the standstill torque. Up to a swing of 0.04, as
// of usual motors, kStandstill holds that, which was set on such; what is more of a light rotor's
// is added. f is 50 or 60 Hz; the lower is taken.
constexpr double kLowestMainsHz = 50, kOfItself = 0.13, kOfItsSquare = 1.5;
// What swings is rotor and drum together, whatever lies between rotor and cell. A rotor alone, a
// cylinder of radius r and density ρ whose rim is pushed by σ, starts with 4σ/(ρr²), from
// T = 2πr²l·σ and J = πr⁴l·ρ/2: 2.2e4 with the 10 kPa that small air-cooled machines reach for a
// short time (machines texts, from memory), 8,000 kg/m³ and 15 mm.
constexpr double kQuickestStart = 2e4;  // rad/s²
double swing_doubt(const MotorFit& fit) {
  const Curve& curve = fit.curve;
  double inertia = 0;
  for (const RunFinding& found : fit.findings)
    if (found.inertia.low && *found.inertia.low > 0)
      inertia = inertia > 0 ? std::min(inertia, *found.inertia.value) : *found.inertia.value;
  const MotorEquation* const motor = motor_equation(curve.model);
  if (!motor || !motor->swings_with_mains || inertia == 0) return 0;
  const double torque = curve.torque(curve.speed_low);
  double half = curve.speed_low;
  while (half < curve.speed_high && curve.torque(half) > torque / 2) half += curve.speed_high / 50;
  const double quickness = std::min(torque / inertia, kQuickestStart);
  const double swing = quickness / (4 * std::numbers::pi * kLowestMainsHz) / half;
  const double first = kOfItself * swing;
  const double beyond = std::sqrt(std::max(0.0, first * first - kStandstill * kStandstill));
  return std::hypot(beyond, kOfItsSquare * swing * swing);
}

// One result that the equation leaves open: its relative gradient, and by how much.
struct OpenResult {
  Eigen::VectorXd by_parameters;
  double doubt;
};

std::vector<OpenResult> open_results(const Curve& curve, const EquationDoubt& doubt) {
  std::vector<OpenResult> results;
  const auto add = [&](const CurveResult& result, double relative) {
    if (std::isfinite(result.value) && result.value != 0 && result.gradient.allFinite())
      results.push_back({result.gradient / result.value, relative});
  };
  add(stall_torque(curve), doubt.stall);
  if (const auto top = no_load_speed(curve)) add(*top, doubt.no_load);
  if (const auto peak = peak_power(curve)) {
    add(peak->power, doubt.power);
    add(peak->speed, doubt.power_speed);
  }
  return results;
}

// Each result moves alone, the others held, by the likeliest way that the data leave: the least
// step δ (in terms of the covariance C) with Rᵀδ = e_k is C·R·(RᵀCR)⁻¹·e_k. Where an equation of
// few parameters cannot move one alone, the pseudo-inverse moves it with the least of the others,
// which then have that much of their own doubt already: the greatest doubt goes first, and each
// result is given only what it still lacks.
void open_each(Curve& curve, std::vector<OpenResult> results) {
  std::sort(results.begin(), results.end(),
            [](const OpenResult& a, const OpenResult& b) { return a.doubt > b.doubt; });
  const auto count = static_cast<Eigen::Index>(results.size());
  Eigen::MatrixXd by(curve.parameters.size(), count);
  for (Eigen::Index k = 0; k < count; ++k)
    by.col(k) = results[static_cast<std::size_t>(k)].by_parameters;
  const Eigen::MatrixXd along = curve.covariance * by;
  Eigen::CompleteOrthogonalDecomposition<Eigen::MatrixXd> inner(by.transpose() * along);
  inner.setThreshold(1e-9);
  const Eigen::MatrixXd steps = along * inner.pseudoInverse();
  Eigen::MatrixXd opened = Eigen::MatrixXd::Zero(by.rows(), by.rows());
  for (Eigen::Index k = 0; k < count; ++k) {
    const double reached = by.col(k).dot(steps.col(k));
    const double doubt = results[static_cast<std::size_t>(k)].doubt;
    const double lacking = doubt * doubt - by.col(k).dot(opened * by.col(k));
    if (!(reached > 1e-6) || !(lacking > 0)) continue;
    const Eigen::VectorXd step = steps.col(k) * (std::sqrt(lacking) / reached);
    opened += step * step.transpose();
  }
  curve.covariance += opened;
}

// All torques larger or smaller together.
void open_scale(Curve& curve, double relative) {
  const Eigen::VectorXd scale = by_torque_scale(curve);
  curve.covariance += relative * relative * scale * scale.transpose();
}

// A curve that falls with a corner, as a series motor's, tells its corner only where it is measured
// below it, which is where its power is greatest (√(ω₀²+ωₓ²) without drag), and by few points only
// well below. Above, what is believed of iron and corner makes the standstill torque.
// A spin-up begins at standstill, whatever its first reliable value.
bool stall_out_of_reach(const MotorFit& fit) {
  const Curve& curve = fit.curve;
  if (curve.speed_low > kStallOutOfReach * curve.speed_high) return true;
  if (fit.speed_residuals) return false;
  const MotorEquation* const motor = motor_equation(curve.model);
  const auto peak = peak_power(curve);
  const double corner = fit.typed ? kStallCorner : 1;
  return stall_torque(curve).value > kStallTimes * curve.torque(curve.speed_low) ||
         (motor && !motor->straight && peak && curve.speed_low > corner * peak->speed.value);
}

}  // namespace

std::string parameter_unit(const std::string& name) {
  const MotorParameter* const known = motor_parameter(name);
  return known ? known->unit : "N·m";  // of a spline
}

Eigen::VectorXd by_torque_scale(const Curve& curve) {
  Eigen::VectorXd by = curve.parameters;
  const MotorEquation* const motor = motor_equation(curve.model);
  for (Eigen::Index i = 0; i < by.size(); ++i) {
    const auto at = static_cast<std::size_t>(i);
    if (motor) by[i] *= motor->parameters[at].by_torque;
    if (curve.model == "drag-stribeck" && curve.parameter_names[at] == "omega_s") by[i] = 0;
  }
  return by;
}

EquationDoubt equation_doubt(const MotorFit& fit) {
  const Curve& curve = fit.curve;
  const double lowest = curve.speed_low / curve.speed_high;
  const double shape = std::hypot(kStallNear * lowest, kStallShape * lowest * lowest,
                                  fit.speed_residuals ? kSpinUpStandstill : kStandstill);
  double away = 0, beyond = 0;
  if (const auto peak = peak_power(curve))
    away =
        std::max({0.0, curve.speed_low - peak->speed.value, peak->speed.value - curve.speed_high}) /
        curve.speed_high;
  if (const auto top = no_load_speed(curve))
    beyond = std::max(0.0, 1 - curve.speed_high / top->value);
  return {motor_chosen::kEquation,
          std::hypot(shape, kWarmthLaw * greatest_warm_up(fit), swing_doubt(fit)),
          std::hypot(fit.speed_residuals ? kSpinUpNoLoad : motor_chosen::kEquation,
                     kNoLoadShape * lowest * lowest, kNoLoadBeyond * beyond),
          kPowerShape * away,
          std::hypot(fit.speed_residuals ? kSpinUpPlace : kPlaceOfPeak, kPowerSpeedShape * away)};
}

void add_doubt(EquationDoubt& doubt, const ResultDoubt& more) {
  doubt.stall = std::hypot(doubt.stall, more.stall);
  doubt.no_load = std::hypot(doubt.no_load, more.no_load);
  doubt.power = std::hypot(doubt.power, more.power);
  doubt.power_speed = std::hypot(doubt.power_speed, more.power_speed);
}

void open_up(Curve& curve, const EquationDoubt& doubt) {
  open_each(curve, open_results(curve, doubt));
  open_scale(curve, doubt.everywhere);
}

void set_results(MotorFit& fit) {
  set_parameters(fit);
  const Curve& curve = fit.curve;
  const double t = curve.coverage_factor();
  const auto estimate = [&](const CurveResult& result, double factor, const char* unit) {
    return positive_estimate(result.value, result.sd(curve.covariance), t, unit)
        .scaled(factor, unit);
  };
  const double rpm = rpm_from_rad_per_s(1);
  const CurveResult stall = stall_torque(curve);
  fit.stall_torque = estimate(stall, 1, "N·m");
  if (stall_out_of_reach(fit)) fit.stall_torque = Estimate::unknown("N·m");
  if (!fit.stall_torque.value)
    fit.warnings.push_back(fmt::format(
        "Standstill torque is not identified: the lowest speed measured is {} rpm; brake the motor "
        "further down to know it.",
        significant(curve.speed_low * rpm, 3)));
  else if (stall.extrapolated)
    fit.warnings.push_back(fmt::format(
        "Standstill torque is extrapolated from {} rpm down by the equation of the '{}' model.",
        significant(curve.speed_low * rpm, 3), curve.model));
  if (const auto top = no_load_speed(curve)) {
    fit.no_load_speed = estimate(*top, rpm, "rpm");
    if (top->extrapolated)
      fit.warnings.push_back(
          fmt::format("No-load speed is extrapolated beyond the highest measured speed, {} rpm.",
                      significant(curve.speed_high * rpm, 3)));
  } else {
    fit.no_load_speed = Estimate::unknown("rpm");
    fit.warnings.push_back("No-load speed is not known: the curve does not come down to zero.");
  }
  if (const auto peak = peak_power(curve)) {
    fit.peak_power = estimate(peak->power, 1, "W");
    fit.peak_power_speed = estimate(peak->speed, rpm, "rpm");
    if (peak->power.extrapolated)
      fit.warnings.push_back("Peak power lies outside the measured speeds: it is extrapolated.");
  } else {
    fit.peak_power = Estimate::unknown("W");
    fit.peak_power_speed = Estimate::unknown("rpm");
    fit.warnings.push_back("Peak power is not known: power has no maximum on this curve.");
  }
}

}  // namespace loadline
