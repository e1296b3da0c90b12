// Linear least squares: the one place where straight lines, parabolas and designs are fitted.
//
// Model: y = X·b + e, the e independent with variance s²/w. It misleads when the e are correlated
// (samples of one run are) or when X itself is uncertain; then the covariance is too small and the
// caller must widen it. Where the columns of X do not determine b the fit refuses.
//
// Method: columns scaled to unit length, Householder QR with column pivoting in extended precision
// (64-bit mantissa on the usual processors), one step of iterative refinement, residual sums from
// the residuals themselves (Björck, Numerical Methods for Least Squares Problems, 1996, ch. 2).
// Digits agreed with the NIST StRD linear sets are printed by tests/reference/linear_test.cc.
//
// All functions are pure and may run on many threads.
#pragma once

#include <Eigen/Core>
#include <span>

namespace loadline {

using LongMatrix = Eigen::Matrix<long double, Eigen::Dynamic, Eigen::Dynamic>;
using LongVector = Eigen::Matrix<long double, Eigen::Dynamic, 1>;

struct LinearFit {
  Eigen::VectorXd coefficients;
  Eigen::MatrixXd covariance;  ///< of the coefficients: residual_sd² (XᵀWX)⁻¹
  Eigen::VectorXd fitted;      ///< X·b
  Eigen::VectorXd residuals;   ///< y − X·b, not weighted
  double degrees_of_freedom = 0;
  double residual_ss = 0;    ///< Σ w·residual²
  double residual_sd = 0;    ///< √(residual_ss / degrees_of_freedom); NaN without freedom
  double regression_ss = 0;  ///< about the mean when the model has a constant, else about zero
  double r_squared = 0;
  double f_statistic = 0;  ///< of all coefficients but the constant; infinite for an exact fit

  double sd(Eigen::Index coefficient) const;
  /// Standard uncertainty of the line at `row` (a row of X).
  double fitted_sd(const Eigen::VectorXd& row) const;
};

struct LinearOptions {
  /// Whether the columns span a constant: then R² and F are taken about the mean.
  bool has_constant = true;
  /// A column whose pivot, after scaling, falls below this is held to depend on the others. Data
  /// are typed in double precision, so that anything under a few 1e-16 is rounding; Filip, the
  /// hardest of the NIST sets, needs about 1e-11.
  double smallest_pivot = 1e-14;
};

/// Fits y = X·b. `weights` (empty: all 1) are proportional to 1/variance of each y. Error(kInput)
/// when there are fewer rows than columns, when a value is not finite or a weight not positive, or
/// when the columns do not determine the coefficients (it says which column).
LinearFit fit_linear(const LongMatrix& design, const LongVector& y,
                     const LinearOptions& options = {}, std::span<const double> weights = {});

/// The columns 1, x, x², … x^degree (without the 1 when `constant` is false), built in extended
/// precision.
LongMatrix polynomial_columns(const LongVector& x, int degree, bool constant = true);

/// As a long vector, exactly.
LongVector long_vector(std::span<const double> values);

/// Akaike's criterion for least squares with the small-sample correction:
/// n·ln(RSS/n) + 2k + 2k(k+1)/(n−k−1), k = coefficients + 1 for the variance (Burnham & Anderson,
/// Model Selection and Multimodel Inference, 2002, section 2.4). Infinite when n ≤ k + 1.
double corrected_akaike(double residual_ss, Eigen::Index n, Eigen::Index coefficients);

}  // namespace loadline
