#include "fit/coast_downs/coast_levels.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>

#include "fit/coast_downs/row_constants.h"
#include "fit/solver/dense.h"

namespace loadline {
namespace {

using namespace drag_chosen;

constexpr double kLeastLevelScatter = 1e-5;  // of levels, for a matrix that can be inverted

bool inertia_by_runs(const std::vector<Coast>& coasts, const std::optional<Prior>& inertia) {
  if (inertia) return false;
  return std::any_of(coasts.begin(), coasts.end(), [&](const Coast& coast) {
    return coast.added_kgm2 != coasts.front().added_kgm2;
  });
}

// What is left to tell scatter by, once the common level (and the inertia) has had its share.
int freedom_of_runs(const std::vector<Coast>& coasts, const std::optional<Prior>& inertia) {
  return static_cast<int>(coasts.size()) - 1 - (inertia_by_runs(coasts, inertia) ? 1 : 0);
}

Eigen::Index first_level(const CoastFit& fit) { return fit.problem->level_column_of(0); }

LevelData data_of(const CoastFit& fit, const std::vector<int>& sessions) {
  const auto count = static_cast<Eigen::Index>(fit.coasts.size());
  const Eigen::Index at = first_level(fit);
  const Eigen::MatrixXd precision =
      inverse_of(fit.solution.inverse_normal.block(at, at, count, count)) /
      std::max(1.0, unexplained_course(fit));
  const Eigen::MatrixXd information =
      precision - fit.options.level_root.transpose() * fit.options.level_root;
  return {(information + information.transpose().eval()) / 2,
          precision * fit.solution.parameters.segment(at, count), sessions};
}

Eigen::MatrixXd root_of(const LevelData& data, const LevelScatter& scatter) {
  const Eigen::MatrixXd covariance =
      data.covariance(std::max(kLeastLevelScatter, scatter.of_runs), scatter.of_sessions);
  return covariance.llt().matrixL().solve(
      Eigen::MatrixXd::Identity(covariance.rows(), covariance.cols()));
}

// Satterthwaite's degrees of freedom of the level at the top speed: the levels' scatter with those
// of the runs or sessions that show it, the rest with the fit's own.
double freedom_with(const CoastFit& fit, const LevelScatter& scatter, int sessions, int of_runs) {
  const auto count = static_cast<Eigen::Index>(fit.coasts.size());
  const Eigen::Index at = first_level(fit);
  const Eigen::MatrixXd& all = fit.solution.inverse_normal;
  const double speed = fit.coasts.front().speed_high;
  Eigen::VectorXd by = Eigen::VectorXd::Zero(all.rows());
  by.head<3>() << 1, speed, speed * speed;
  const Eigen::VectorXd along = all * by;
  const double full = by.dot(along);
  const Eigen::VectorXd through = along.segment(at, count);
  const double held = std::clamp(
      1 - through.dot(all.block(at, at, count, count).ldlt().solve(through)) / full, 0.0, 1.0);
  const double few = scatter.of_sessions > 0 ? sessions - 1 : of_runs;
  return 1 / ((1 - held) * (1 - held) / std::max(1.0, few) +
              held * held / std::max(1.0, fit.degrees_of_freedom));
}

}  // namespace

Eigen::MatrixXd loose_levels(const std::vector<Coast>& coasts,
                             const std::optional<Prior>& inertia) {
  if (freedom_of_runs(coasts, inertia) < 1) return {};
  const auto count = static_cast<Eigen::Index>(coasts.size());
  return Eigen::MatrixXd::Identity(count, count) / kLoose;
}

Eigen::MatrixXd judged_levels(const CoastFit& loose, const std::vector<int>& sessions) {
  if (!loose.usable || !loose.problem->with_levels()) return {};
  const LevelData data = data_of(loose, sessions);
  if (!data.information.allFinite() || !data.right.allFinite()) return {};
  return root_of(data, scatter_of(data));
}

Eigen::Vector4d with_levels_held(const CoastFit& loose, const Eigen::MatrixXd& root) {
  const Eigen::VectorXd& x = loose.solution.parameters;
  const Eigen::Index count = root.rows();
  if (count == 0 || !loose.problem->with_levels() || loose.options.level_root.rows() != count)
    return x.head<4>();
  // Information more on the levels alone moves all by C·(I + ΔP·C_LL)⁻¹·ΔP·m, C their covariance.
  const Eigen::Index at = first_level(loose);
  const Eigen::MatrixXd& all = loose.solution.inverse_normal;
  const Eigen::MatrixXd more =
      root.transpose() * root - loose.options.level_root.transpose() * loose.options.level_root;
  const Eigen::MatrixXd inner =
      Eigen::MatrixXd::Identity(count, count) + more * all.block(at, at, count, count);
  return x.head<4>() -
         all.block(0, at, 4, count) * inner.partialPivLu().solve(more * x.segment(at, count));
}

FittedCoasts fit_levels(FittedCoasts loose, const std::vector<int>& sessions, double unit,
                        const std::optional<Prior>& inertia, LevelScatter& scatter) {
  if (!loose->usable || !loose->problem->with_levels()) return loose;
  const LevelData data = data_of(*loose, sessions);
  if (!data.information.allFinite() || !data.right.allFinite()) return loose;
  scatter = scatter_of(data);
  CoastOptions options = loose->options;
  const bool none = scatter.of_runs == 0 && scatter.of_sessions == 0;
  options.level_root = none ? Eigen::MatrixXd() : root_of(data, scatter);
  FittedCoasts fit = fit_coasts(loose->coasts, options, unit, inertia, loose.get());
  if (fit->usable) final_fit(*fit);
  if (!fit->usable) return loose;
  if (!none)
    fit->degrees_of_freedom =
        freedom_with(*fit, scatter, data.sessions, freedom_of_runs(fit->coasts, inertia));
  return fit;
}

}  // namespace loadline
