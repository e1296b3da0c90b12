// What an equation may leave out of a motor's torque: a few slow waves over the speed, each with a
// standard deviation of its own.
#pragma once

#include <Eigen/Core>
#include <cmath>

#include "db/basis/units.h"

namespace loadline {

/// Σ x_k·(share/k²)·torque·cos(kπω/top), k = 1 …; x_k of unit variance. With 1/k² all waves
/// have the same curvature, as what a smoothing spline takes for unknown. No terms with `share` 0.
struct TorqueBend {
  static constexpr int kTerms = 6;
  double share = 0;  ///< standard deviation of the first, of `torque`
  double torque = 1, top = 1;

  int terms() const { return share > 0 ? kTerms : 0; }
  /// N·m, of x_k = 1.
  double term(int k, double speed) const {
    return share * torque / ((k + 1) * (k + 1)) * std::cos((k + 1) * kPi * speed / top);
  }
  double torque_of(const Eigen::VectorXd& x, double speed) const {
    double sum = 0;
    for (int k = 0; k < terms(); ++k) sum += x[k] * term(k, speed);
    return sum;
  }
  double slope(const Eigen::VectorXd& x, double speed) const {
    double sum = 0;
    for (int k = 0; k < terms(); ++k)
      sum -= x[k] * share * torque / (k + 1) * kPi / top * std::sin((k + 1) * kPi * speed / top);
    return sum;
  }
};

}  // namespace loadline
