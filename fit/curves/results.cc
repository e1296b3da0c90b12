#include "fit/curves/results.h"

#include <boost/math/tools/minima.hpp>
#include <boost/math/tools/toms748_solve.hpp>
#include <cmath>

namespace loadline {
namespace {

constexpr int kScan = 400;

// A spline has nothing beyond its measured range (NaN); an equation is followed well beyond it.
bool only_measured(const Curve& curve) { return curve.model == "smooth"; }

double highest_speed_to_scan(const Curve& curve) {
  return only_measured(curve) ? curve.speed_high : 4 * std::max(curve.speed_high, 1.0);
}

// d/dp of the slope dT/dω, by central differences of the gradient.
Eigen::VectorXd slope_gradient(const Curve& curve, double speed) {
  const double step = 1e-4 * std::max(1.0, speed);
  return (curve.gradient(speed + step) - curve.gradient(speed - step)) / (2 * step);
}

double curvature(const Curve& curve, double speed) {
  const double step = 1e-4 * std::max(1.0, speed);
  return (curve.slope(speed + step) - curve.slope(speed - step)) / (2 * step);
}

}  // namespace

double CurveResult::sd(const Eigen::MatrixXd& covariance) const {
  return std::sqrt(std::max(0.0, gradient.dot(covariance * gradient)));
}

CurveResult stall_torque(const Curve& curve) {
  return {curve.torque(0), curve.gradient(0), curve.speed_low > 0.1 * curve.speed_high};
}

std::optional<CurveResult> no_load_speed(const Curve& curve) {
  const double end = highest_speed_to_scan(curve);
  double before = std::max(0.0, curve.speed_low);
  if (!(curve.torque(before) > 0)) return std::nullopt;
  for (int i = 1; i <= kScan; ++i) {
    const double speed = curve.speed_low + (end - curve.speed_low) * i / kScan;
    if (curve.torque(speed) > 0) {
      before = speed;
      continue;
    }
    std::uintmax_t iterations = 100;
    const auto bracket = boost::math::tools::toms748_solve(
        [&](double w) { return curve.torque(w); }, before, speed,
        boost::math::tools::eps_tolerance<double>(50), iterations);
    const double root = (bracket.first + bracket.second) / 2;
    const double slope = curve.slope(root);
    if (!(slope < 0)) return std::nullopt;
    return CurveResult{root, -curve.gradient(root) / slope, root > 1.1 * curve.speed_high};
  }
  return std::nullopt;
}

std::optional<PeakPower> peak_power(const Curve& curve) {
  const auto top = no_load_speed(curve);
  const double start = only_measured(curve) ? curve.speed_low : 0;
  const double end = top ? top->value : (only_measured(curve) ? 1 : 1.5) * curve.speed_high;
  const auto power = [&](double w) { return w * curve.torque(w); };
  const auto at = [&](int i) { return start + (end - start) * i / kScan; };
  int best = 0;
  for (int i = 1; i <= kScan; ++i)
    if (power(at(i)) > power(at(best))) best = i;
  if (best == 0 || best == kScan) return std::nullopt;
  const auto minimum = boost::math::tools::brent_find_minima([&](double w) { return -power(w); },
                                                             at(best - 1), at(best + 1), 40);
  const double speed = minimum.first;
  const double second = 2 * curve.slope(speed) + speed * curvature(curve, speed);
  if (!(second < 0)) return std::nullopt;
  const Eigen::VectorXd by_torque = curve.gradient(speed);
  PeakPower peak;
  peak.power = {power(speed), speed * by_torque, !curve.measured_at(speed)};
  peak.speed = {speed, -(by_torque + speed * slope_gradient(curve, speed)) / second,
                !curve.measured_at(speed)};
  return peak;
}

Estimate positive_estimate(double value, double sd, double factor, const std::string& unit,
                           double widest) {
  if (!(value > 0) || !std::isfinite(sd)) return Estimate::unknown(unit);
  const double spread = std::exp(factor * sd / value);
  if (spread * spread > widest) return {std::nullopt, value / spread, value * spread, unit};
  return {value, value / spread, value * spread, unit};
}

}  // namespace loadline
