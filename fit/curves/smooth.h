// The `smooth` motor curve: a decreasing, penalised cubic spline for a motor of unknown kind.
//
// Model: torque = Σ c_j B_j(speed), uniform cubic B-splines on evenly spaced knots over the
// measured range (Eilers and Marx, Statistical Science 11 (1996) 89). It minimises
//   Σ wᵢ (torqueᵢ − f(speedᵢ))² + λ ∫ f″² dω,   f decreasing
// so that without evidence of a bend it is a straight line. λ is chosen by restricted maximum
// likelihood (Wood, Generalized Additive Models, 2017, section 6.2.6; from memory). Noise that is
// correlated in time by the factor g counts as n/g points there; otherwise λ comes out far too
// small and the curve follows the noise.
//
// f is decreasing because c₁ ≥ c₂ ≥ …, which is enough for a B-spline. Where the data really rise
// with speed (an induction motor below its breakdown torque) the constraint is wrong; the fit says
// so in `rise_evidence`.
//
// The covariance is the Bayesian one of the spline without the constraint (Wahba, J. Royal Stat.
// Soc. B 45 (1983) 133): it includes the smoothing bias on average over the range, and the
// constraint can only narrow it. It does not include the choice of λ.
//
// It never extrapolates: torque, slope and gradient outside the measured range are NaN.
//
// All functions are pure and may run on many threads. Speeds in rad/s, torques in N·m.
#pragma once

#include <Eigen/Core>
#include <memory>
#include <optional>
#include <span>

#include "fit/equations/curve_model.h"

namespace loadline {

struct SmoothFit {
  Eigen::VectorXd parameters;  ///< coefficients c_j, N·m; c_j belongs to low + (j − 1)·h
  Eigen::MatrixXd covariance;
  double speed_low = 0, speed_high = 0;  ///< of the data, rad/s
  double lambda = 0;                     ///< (with the weights as given) chosen or as told
  double effective_parameters = 0;       ///< trace of the smoother; 2 = a straight line
  double degrees_of_freedom = 0;         ///< n/g − effective parameters
  double scale = 1;                      ///< variance of a torque of weight 1, (N·m)²
  Eigen::VectorXd residuals;             ///< torque − f, not weighted
  /// How much worse the decreasing curve describes the data than a free one, as a chi-squared-like
  /// figure: below about 10 noise explains it; above, the torque of this motor rises with speed
  /// somewhere and the `smooth` model does not describe it.
  double rise_evidence = 0;

  /// The curve's equation, see smooth_equation.
  std::shared_ptr<const CurveModel> equation() const;
};

struct SmoothOptions {
  int intervals = 0;             ///< between knots; 0 = by the number of points, 4 to 24
  std::optional<double> lambda;  ///< instead of choosing it
  bool decreasing = true;        ///< off: for comparison with other splines
};

/// Fits the curve. `weight` is proportional to 1/variance of each torque (empty: all alike);
/// `correlation_factor` is g of the noise in time, see fit/readings/noise/noise.h. Error(kInput)
/// with fewer than 8 points, values that are not finite, or all speeds alike.
SmoothFit fit_smooth(std::span<const double> speed, std::span<const double> torque,
                     std::span<const double> weight, double correlation_factor,
                     const SmoothOptions& options = {});

/// The spline on `parameters` − 3 even intervals of [speed_low, speed_high]; null for fewer than 4
/// parameters or an empty range.
std::shared_ptr<const CurveModel> smooth_equation(double speed_low, double speed_high,
                                                  std::size_t parameters);

}  // namespace loadline
