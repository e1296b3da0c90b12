// One motor equation fitted to the sweeps: passes of fit, noise, weights and alignment until they
// agree.
//
// In: brake runs aligned in time (sweep.h), speeds without load, an equation.
// Out: its parameters with their covariance; lag, drift and warmth of each run; residuals.
#pragma once

#include <functional>
#include <memory>
#include <optional>
#include <vector>

#include "fit/brake_runs/sweep_problem.h"
#include "fit/curves/run_levels.h"

namespace loadline {

/// A run ready for fitting: its readings and the smooth speed they are aligned with.
struct BenchRun {
  Readings readings;
  SmoothSpeed speed;
};

struct SweepFitInput {
  std::vector<const BenchRun*> runs;
  std::vector<NoLoadPoint> no_load;
  std::optional<OwnDrag> own_drag;
  SweepOptions options;
  double reference_v = 0;       ///< NaN when no supply is known
  std::vector<int> session_of;  ///< of each run, from 0 on; empty: all are of one
};

/// Not copied or moved: the problem refers to the shape and the sweeps beside it.
struct SweepFit {
  SweepFit() = default;
  SweepFit(const SweepFit&) = delete;
  SweepFit& operator=(const SweepFit&) = delete;
  std::unique_ptr<MotorShape> shape;
  std::vector<Sweep> sweeps;              ///< aligned at the lags found
  std::unique_ptr<SweepProblem> problem;  ///< refers to shape and sweeps
  NonlinearFit solution;
  Eigen::VectorXd natural;  ///< curve parameters
  Eigen::MatrixXd natural_by_internal;
  Eigen::MatrixXd covariance;       ///< of all internal parameters, systematics included
  double rms = 0;                   ///< weighted residual rms of what is fitted, N·m
  double single_rms = 0;            ///< of single values that are not stray, N·m
  double effective_values = 0;      ///< Σ n/g
  double effective_parameters = 0;  ///< that the data, not the priors, determined
  double degrees_of_freedom = 0;
  /// Of points with stated uncertainties s, those that belong: Σ (r/s)² and Σ 2 ln s; else empty.
  struct OfStated {
    double squares = 0, logs = 0;
  };
  std::optional<OfStated> of_stated;
  /// By how much 1 N·m moves the weighted residual of row `i` of sweep `j`.
  double unit(std::size_t j, std::size_t i) const;
  /// Weight of a single value of sweep `j`, by which it is shown.
  double single_weight(std::size_t j, std::size_t i) const;
  /// s, standard uncertainty of sweep `j`'s lag, with how far its rows are aligned elsewhere.
  double lag_sd(std::size_t j) const;
  /// What a sweep's unknown times leave open of its curve, relative: see sweep_fit.cc.
  double blur(std::size_t j) const;
  /// What an inertia that nobody gave may do to the torque of a sweep one way, relative; else 0.
  double unknown_inertia(std::size_t j) const;
  double drift_sd = 0, heat_sd = 0;
  bool usable = false;
  /// Derivative of the internal solution by a relative change of all torques (slope, arm), by one
  /// of speed and time, and by a shift of each run's zero.
  Eigen::VectorXd by_torque_scale;
  std::vector<Eigen::VectorXd> by_zero;
  /// By a bow sin(π·share) of 1 N·m in the drift of each run's zero, of which `bow_sd` is likely.
  /// It is not estimated: over a sweep down and up a bow looks like a curve of another shape, and
  /// what the equation leaves open would be taken for one.
  std::vector<Eigen::VectorXd> by_bow;
  double bow_sd = 0;
  /// How runs scatter as wholes beyond noise, warmth and zero, and what that adds to `covariance`.
  std::vector<int> session_of;
  LevelScatter levels;
  Eigen::MatrixXd of_levels;
};

using ShapeMaker = std::function<std::unique_ptr<MotorShape>(const SweepScale& scale)>;
/// Fits the shape that `make` gives for the size of these data.
std::unique_ptr<SweepFit> fit_sweeps(const ShapeMaker& make, const SweepFitInput& input);
/// `model`: a name of the table in motor_equation.h.
std::unique_ptr<SweepFit> fit_sweeps(const std::string& model, const SweepFitInput& input);

/// Ends a fit with the full core: the answer, its covariance and its sensitivities as they are
/// reported. False when the data do not determine it.
bool final_fit(SweepFit& fit);

/// How much each typed point of a run scatters, with a geometric mean of 1, were its speed's error,
/// over that speed, so many times the torque's, over the greatest torque.
std::vector<double> scatter_with(const SweepFit& fit, std::size_t run, double share);

/// Robust greatest torque and highest speed of the rows.
SweepScale sweep_scale(const std::vector<Sweep>& sweeps);

}  // namespace loadline
