#include "fit/curves/other_curves.h"

#include <algorithm>
#include <cmath>

namespace loadline {
namespace {

// Relative, at most 1.
double beyond_doubt(const CurveResult& of_curve, const Curve& curve, const CurveResult& of_other,
                    const OtherCurve& other) {
  const double off = of_other.value - of_curve.value;
  const double own =
      std::pow(of_other.sd(other.curve.covariance), 2) - std::pow(of_curve.sd(curve.covariance), 2);
  const double beyond = std::sqrt(std::max(0.0, off * off - other.allowed * std::max(0.0, own)));
  return std::isfinite(beyond) && of_curve.value > 0 ? std::min(1.0, beyond / of_curve.value) : 0;
}

}  // namespace

ResultDoubt doubt_between(const Curve& curve, const std::vector<OtherCurve>& others, double own) {
  if (others.empty()) return {};
  const auto peak = peak_power(curve);
  const auto top = no_load_speed(curve);
  ResultDoubt squares;
  double weights = own;
  for (const OtherCurve& other : others) {
    weights += other.weight;
    const auto add = [&](double& to, const CurveResult& with, const CurveResult& without) {
      to += other.weight * std::pow(beyond_doubt(with, curve, without, other), 2);
    };
    add(squares.stall, stall_torque(curve), stall_torque(other.curve));
    if (const auto its = no_load_speed(other.curve); top && its) add(squares.no_load, *top, *its);
    if (const auto its = peak_power(other.curve); peak && its) {
      add(squares.power, peak->power, its->power);
      add(squares.power_speed, peak->speed, its->speed);
    }
  }
  const auto doubt = [&](double sum) { return std::sqrt(sum / weights); };
  return {doubt(squares.stall), doubt(squares.no_load), doubt(squares.power),
          doubt(squares.power_speed)};
}

}  // namespace loadline
