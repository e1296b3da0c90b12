// Nonlinear least squares: the one door to the solver under every fitted curve.
//
// Minimises RSS(p) = Σ rᵢ(p)². quick_fit() is our own search, for the passes of a fit, whose answer
// feeds the next pass. fit_nonlinear() gives what is reported: it takes a start that is a minimum
// as it is, which is what the passes mostly hand it; else it searches by Ceres Solver, in several
// ways where the first ends without a minimum, and ends with Gauss–Newton steps down to rounding.
// What it rests on, and how it misleads:
//  - It finds a local minimum. An end where the residuals still have a part along the tangent plane
//    (the relative offset of Bates and Watts, Technometrics 23 (1981) 179) is not taken for one, so
//    that a search stuck in a flat place is no answer; a second true minimum would be. Start from
//    estimates that mean something.
//  - `inverse_normal` describes uncertainty only where the model is close to straight over the
//    interval, and only times the variance of the residuals *as they are correlated*: the caller
//    scales it, the solver does not know the noise.
//  - When the data do not fix every parameter (rank lost) there is no covariance: `inverse_normal`
//    is NaN throughout and `message` names the parameters that cannot be told apart.
//
// Scored in tests/reference/nist_nonlinear_test.cc (NIST's 54 starts) and gsl_*_test.cc; chosen by
// tests/study/solver_study.cc.
//
// Threads: calls are independent; `Residuals` is called from the calling thread only.
#pragma once

#include <Eigen/Core>
#include <string>

#include "fit/solver/residuals.h"

namespace loadline {

struct NonlinearOptions {
  int max_iterations = 2000;  ///< per search; narrow curved valleys need hundreds of steps
  /// A search ends where a step changes RSS by |ΔRSS| ≤ tolerance · RSS, or is itself
  /// ‖Δp‖ ≤ tolerance · (‖p‖ + tolerance). Tight, since an early end in a curved valley looks like
  /// a minimum; the Gauss–Newton steps after it cost little.
  double tolerance = 1e-15;
  /// The start is nearly the answer: it is taken as it is when it is a minimum, else Gauss–Newton
  /// steps alone are tried first.
  bool near = false;
  /// Σ r² has kinks, at which no search ends by itself: the first one is enough, and what it comes
  /// to is taken whether it passes for a minimum or not.
  bool kinked = false;
};

struct QuickOptions {
  int max_iterations = 40;  ///< steps tried, taken or not
  /// The search ends where a step lowers RSS by ΔRSS ≤ tolerance · RSS and was expected to.
  double tolerance = 1e-7;
  /// Geodesic acceleration: one more evaluation of r for each step, and far fewer steps where few
  /// parameters are well known and the others lie in a curved valley.
  bool geodesic = false;
};

struct NonlinearFit {
  Eigen::VectorXd parameters;
  /// (JᵀJ)⁻¹, unscaled, k×k; all NaN when the rank is less than k.
  Eigen::MatrixXd inverse_normal;
  Eigen::VectorXd residuals;  ///< r at `parameters`
  Eigen::MatrixXd jacobian;   ///< n×k at `parameters`
  double rss = 0;             ///< Σ r²
  int iterations = 0;         ///< of all searches and Gauss–Newton steps
  /// fit_nonlinear: a minimum by the relative offset, not just small steps. quick_fit: ended by its
  /// tolerance.
  bool converged = false;
  // Of fit_nonlinear alone:
  int rank = 0;                ///< of J with its columns scaled to length 1
  double condition = 0;        ///< largest over smallest singular value of that matrix
  double relative_offset = 0;  ///< ‖part of r in the tangent plane‖ / ‖r‖ at the solution
  std::string message;         ///< one sentence: how it ended, which parameters are lost

  /// Residual variance RSS/(n−k) of independent noise; NaN when n ≤ k.
  double variance() const;
  /// √diag(inverse_normal·variance()): standard errors under independent noise of one size.
  Eigen::VectorXd naive_sd() const;
};

/// One search from `start`. `rss` is kUndefined when the residuals are not defined there. Nothing
/// is inverted where JᵀJ, its diagonal scaled to 1, has eigenvalues 1e14 apart.
inline constexpr double kUndefined = 1e300;
NonlinearFit quick_fit(const Residuals& residuals, const Eigen::VectorXd& start,
                       const QuickOptions& options = {});

/// Fits from `start` (k values). Error(kInput) when the residuals are not defined at the start, or
/// when n < k.
NonlinearFit fit_nonlinear(const Residuals& residuals, const Eigen::VectorXd& start,
                           const NonlinearOptions& options = {});

}  // namespace loadline
