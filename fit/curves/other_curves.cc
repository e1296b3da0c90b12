#include "fit/curves/other_curves.h"

#include <algorithm>
#include <cmath>

#include "fit/curves/results.h"

namespace loadline {
namespace {

// Square of the relative difference, at most 1.
double differ_by(const CurveResult& a, const Curve& of_a, const CurveResult& b, const Curve& of_b) {
  const double own = std::pow(b.sd(of_b.covariance), 2) - std::pow(a.sd(of_a.covariance), 2);
  const double square = (std::pow(b.value - a.value, 2) - std::max(0.0, own)) / (a.value * a.value);
  return std::isfinite(square) ? std::clamp(square, 0.0, 1.0) : 0;
}

}  // namespace

ResultDoubt doubt_between(const Curve& curve, const std::vector<OtherCurve>& others) {
  const auto peak = peak_power(curve);
  const auto top = no_load_speed(curve);
  ResultDoubt squares;
  double weights = 1;
  for (const auto& [other, weight] : others) {
    weights += weight;
    squares.stall += weight * differ_by(stall_torque(curve), curve, stall_torque(other), other);
    if (const auto its = no_load_speed(other); top && its)
      squares.no_load += weight * differ_by(*top, curve, *its, other);
    if (const auto its = peak_power(other); peak && its) {
      squares.power += weight * differ_by(peak->power, curve, its->power, other);
      squares.power_speed += weight * differ_by(peak->speed, curve, its->speed, other);
    }
  }
  const auto doubt = [&](double sum) { return std::sqrt(sum / weights); };
  return {doubt(squares.stall), doubt(squares.no_load), doubt(squares.power),
          doubt(squares.power_speed)};
}

}  // namespace loadline
