// Nonlinear least squares: the one core under every fitted curve.
//
// Minimises RSS(p) = Σ rᵢ(p)². The search is Levenberg–Marquardt (Ceres Solver, dense QR, columns
// scaled), then a Gauss–Newton polish with iterative refinement. What it rests on, and how it
// misleads:
//  - It finds a local minimum. Fallbacks from the same start are tried when the first search ends
//    where the residuals still have a part along the tangent plane (the relative offset of Bates
//    and Watts, Technometrics 23 (1981) 179), so a search stuck in a flat place is not taken for an
//    answer; a second true minimum would be. Start from estimates that mean something.
//  - `inverse_normal` describes uncertainty only where the model is close to straight over the
//    interval, and only times the variance of the residuals *as they are correlated*: the caller
//    scales it, this core does not know the noise.
//  - When the data do not fix every parameter (rank lost) there is no covariance: `inverse_normal`
//    is NaN throughout and `message` names the parameters that cannot be told apart.
//
// Threads: calls are independent; `Residuals` is called from the calling thread only.
#pragma once

#include <Eigen/Core>
#include <string>
#include <vector>

namespace loadline {

/// The residuals r(p) of n observations under k parameters. Divide them by their standard
/// deviations where these differ; the core weighs all alike.
class Residuals {
 public:
  virtual ~Residuals() = default;
  virtual int count() const = 0;       ///< n
  virtual int parameters() const = 0;  ///< k
  /// Fills r[n] and, when `jacobian` is not null, the row-major n×k matrix ∂r/∂p. False, or any
  /// value that is not finite: the model is not defined at p, and the search takes a shorter step.
  virtual bool evaluate(const double* p, double* r, double* jacobian) const = 0;
  /// The same r in extended precision, for data so clean that rounding in r would show in the RSS.
  /// False (the default): not offered.
  virtual bool evaluate_extended(const long double* p, long double* r) const;
  /// Name of parameter j for messages; by default "parameter 3", counted from 1.
  virtual std::string parameter_name(int j) const;
};

struct NonlinearOptions {
  int max_iterations = 2000;  ///< per search; narrow curved valleys need hundreds of steps
  /// Relative change of RSS and of p at which a search ends. Tight, since an early end in a curved
  /// valley looks like convergence; the polish costs a few evaluations more.
  double tolerance = 1e-15;
  /// Bounds per parameter; empty = none, ±infinity = none for this parameter.
  std::vector<double> lower, upper;
  bool polish = true;  ///< off: the search's answer as it is, for comparison
  /// The start is nearly the answer: it is taken as it is when it is a minimum, else the polish
  /// alone is tried first.
  bool near = false;
};

struct NonlinearFit {
  Eigen::VectorXd parameters;
  /// (JᵀJ)⁻¹, unscaled, k×k; all NaN when rank < k. A parameter held at its bound has zero rows
  /// and columns: the rest is conditional on the bound, which the caller must say.
  Eigen::MatrixXd inverse_normal;
  Eigen::VectorXd residuals;   ///< r at `parameters`
  Eigen::MatrixXd jacobian;    ///< n×k at `parameters`
  double rss = 0;              ///< Σ r², in extended precision when the residuals offer it
  int iterations = 0;          ///< of all searches and the polish
  bool converged = false;      ///< a minimum by the relative offset, not just small steps
  int rank = 0;                ///< of J with its columns scaled to length 1, free parameters only
  double condition = 0;        ///< largest over smallest singular value of that matrix
  double relative_offset = 0;  ///< ‖part of r in the tangent plane‖ / ‖r‖ at the solution
  std::vector<bool> at_bound;  ///< per parameter: held at its bound at the solution
  std::string message;         ///< one sentence: how it ended, which parameters are lost

  /// Residual variance RSS/(n−k) of independent noise; NaN when n ≤ k.
  double variance() const;
  /// √diag(inverse_normal·variance()): standard errors under independent noise of one size.
  Eigen::VectorXd naive_sd() const;
};

/// The quick sibling for passes whose answer only feeds the next pass: damped Gauss–Newton on the
/// normal equations in double precision, no bounds, no fallbacks, no polish. `relative_offset`,
/// `rank` and `condition` are not determined; end with fit_nonlinear before anything is reported.
/// `along_bends` costs one more evaluation of r per step and saves most of the steps where few
/// parameters are well known and the others lie in a curved valley.
NonlinearFit improve(const Residuals& residuals, const Eigen::VectorXd& start,
                     int max_iterations = 40, double tolerance = 1e-7, bool along_bends = false);

/// Fits from `start` (k values, moved into the bounds first). Error(kInput) when the residuals are
/// not defined at the start, when n < k, or when the options do not fit the problem.
NonlinearFit fit_nonlinear(const Residuals& residuals, const Eigen::VectorXd& start,
                           const NonlinearOptions& options = {});

}  // namespace loadline
