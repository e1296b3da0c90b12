// One search for a minimum of Σ rᵢ(p)², by Ceres Solver: a trust region about each point, columns
// scaled by the Jacobian at the start. A step is taken where the sum of squares falls by more than
// 1e-3 of what the linear model of the residuals promised (the gain ratio); the region grows or
// shrinks by how well that promise was kept (Ceres' min_relative_decrease and its update of the
// radius, after Nielsen).
//
// Inside fit/solver only: nonlinear.h is the door.
#pragma once

#include <Eigen/Core>

#include "fit/solver/residuals.h"

namespace loadline {

using RowMajor = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;

/// How the search steps. The others are for problems in which the first is stuck.
enum class Method {
  kLevenbergMarquardt,
  kNormalEquations,  ///< the same on JᵀJ; only tests/study/solver_study.cc, to compare with ours
  kShortSteps,       ///< trust region 1e-2 at first, for 1e4
  kShortestSteps,    ///< 1e-5 at first
  kNonmonotonic,     ///< the sum of squares may rise for some steps
  kDogleg            ///< in the subspace of gradient and Gauss–Newton step
};

struct SearchLimits {
  int max_iterations = 0;  ///< steps tried, taken or not
  /// Ends where a step that was taken changes RSS by |ΔRSS| ≤ function_tolerance · RSS …
  double function_tolerance = 0;
  /// … or is itself ‖Δp‖ ≤ parameter_tolerance · (‖p‖ + parameter_tolerance).
  double parameter_tolerance = 0;
};

struct Found {
  Eigen::VectorXd parameters, residuals;
  RowMajor jacobian;  ///< at `parameters`, as the residuals are
  int iterations = 0;
  bool usable = false;     ///< residuals and Jacobian are those of a point no worse than the start
  bool converged = false;  ///< one of the tolerances ended it
};

/// Not `usable` where the residuals are not defined at the start.
Found search_from(const Residuals& residuals, const Eigen::VectorXd& start, Method method,
                  const SearchLimits& limits);

}  // namespace loadline
