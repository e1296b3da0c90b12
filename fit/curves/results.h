// Results of a torque–speed curve with their intervals: standstill, no-load, peak power.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "fit/curves/curve.h"

namespace loadline {

/// A scalar result of a curve: value and its derivative by the curve's parameters.
struct CurveResult {
  double value = 0;
  Eigen::VectorXd gradient;
  bool extrapolated = false;  ///< rests on speeds outside the measured range
  double sd(const Eigen::MatrixXd& covariance) const;
};

/// T(0).
CurveResult stall_torque(const Curve& curve);
/// The lowest speed above the measured range's low end where T = 0; empty when the curve has none
/// below four times the highest measured speed.
std::optional<CurveResult> no_load_speed(const Curve& curve);
/// Speed of greatest T·ω between 0 and the no-load speed, and that power. Interior maximum only.
struct PeakPower {
  CurveResult speed, power;
};
std::optional<PeakPower> peak_power(const Curve& curve);

/// What is open of each of the four results: relative standard uncertainties.
struct ResultDoubt {
  double stall = 0, no_load = 0, power = 0, power_speed = 0;
};

/// 95 % interval of a positive quantity from its standard uncertainty: symmetric on a log scale, so
/// that a wide one stays positive; for a narrow one the same as value ± t·sd. A result whose
/// interval spans more than a factor of `widest` has no value that could be trusted: unknown.
Estimate positive_estimate(double value, double sd, double factor, const std::string& unit,
                           double widest = 9);

}  // namespace loadline
