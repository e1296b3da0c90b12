#include "fit/curves/coast_levels.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>

namespace loadline {
namespace {

constexpr double kLoose = 0.3;                            // of a level: a third more or less
constexpr double kLeastScatter = 1e-5, kMostScatter = 1;  // of levels

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

// What the data say of the levels.
struct LevelData {
  Eigen::MatrixXd information;
  Eigen::VectorXd right;
  Eigen::MatrixXd same_session;  // 1 where two runs share one
  int sessions = 0;

  Eigen::MatrixXd covariance(double of_runs, double of_sessions) const {
    return of_runs * of_runs * Eigen::MatrixXd::Identity(right.size(), right.size()) +
           of_sessions * of_sessions * same_session;
  }
  double deviance(double of_runs, double of_sessions) const {
    const Eigen::MatrixXd k = covariance(of_runs, of_sessions);
    const Eigen::PartialPivLU<Eigen::MatrixXd> lu(
        Eigen::MatrixXd::Identity(right.size(), right.size()) + k * information);
    return std::log(std::fabs(lu.determinant())) - right.dot(lu.solve(k * right));
  }
};

Eigen::Index first_level(const CoastFit& fit) { return fit.problem->level_column_of(0); }

LevelData data_of(const CoastFit& fit, const std::vector<int>& sessions) {
  const auto count = static_cast<Eigen::Index>(fit.coasts.size());
  const Eigen::Index at = first_level(fit);
  const Eigen::MatrixXd precision =
      fit.solution.inverse_normal.block(at, at, count, count).inverse() /
      std::max(1.0, unexplained_course(fit));
  LevelData data;
  data.information = precision - fit.options.level_root.transpose() * fit.options.level_root;
  data.information = (data.information + data.information.transpose().eval()) / 2;
  data.right = precision * fit.solution.parameters.segment(at, count);
  data.same_session = Eigen::MatrixXd::Zero(count, count);
  for (Eigen::Index i = 0; i < count; ++i)
    for (Eigen::Index j = 0; j < count; ++j)
      if (sessions[static_cast<std::size_t>(i)] == sessions[static_cast<std::size_t>(j)])
        data.same_session(i, j) = 1;
  data.sessions = 1 + *std::max_element(sessions.begin(), sessions.end());
  return data;
}

// The size in [0, kMostScatter] at which `deviance` is least: golden section over its logarithm.
template <typename Deviance>
double best_size(const Deviance& deviance) {
  constexpr double kGolden = 0.6180339887498949;
  double low = std::log(kLeastScatter), high = std::log(kMostScatter);
  while (high - low > 1e-3) {
    const double a = high - kGolden * (high - low), b = low + kGolden * (high - low);
    (deviance(std::exp(a)) < deviance(std::exp(b)) ? high : low) =
        deviance(std::exp(a)) < deviance(std::exp(b)) ? b : a;
  }
  const double size = std::exp((low + high) / 2);
  return deviance(size) < deviance(0) - 1e-9 ? size : 0;
}

LevelScatter scatter_of(const LevelData& data) {
  LevelScatter scatter;
  scatter.known = true;
  const auto count = static_cast<int>(data.right.size());
  // One run a session: session and run are one, and count as the session's.
  const bool nested = data.sessions > 1 && data.sessions < count;
  for (int turn = 0; turn < (nested ? 6 : 1); ++turn) {
    if (data.sessions > 1)
      scatter.of_sessions =
          best_size([&](double size) { return data.deviance(scatter.of_runs, size); });
    if (nested || data.sessions == 1)
      scatter.of_runs =
          best_size([&](double size) { return data.deviance(size, scatter.of_sessions); });
  }
  return scatter;
}

Eigen::MatrixXd root_of(const LevelData& data, const LevelScatter& scatter) {
  const Eigen::MatrixXd covariance =
      data.covariance(std::max(kLeastScatter, scatter.of_runs), scatter.of_sessions);
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

FittedCoasts settle_levels(FittedCoasts loose, const std::vector<int>& sessions, double unit,
                           const std::optional<Prior>& inertia, LevelScatter& scatter) {
  if (!loose->usable || !loose->problem->with_levels()) return loose;
  const LevelData data = data_of(*loose, sessions);
  if (!data.information.allFinite() || !data.right.allFinite()) return loose;
  scatter = scatter_of(data);
  CoastOptions options = loose->options;
  const bool none = scatter.of_runs == 0 && scatter.of_sessions == 0;
  options.level_root = none ? Eigen::MatrixXd() : root_of(data, scatter);
  FittedCoasts fit = fit_coasts(loose->coasts, options, unit, inertia, loose.get());
  if (fit->usable) settle(*fit);
  if (!fit->usable) return loose;
  if (!none)
    fit->degrees_of_freedom =
        freedom_with(*fit, scatter, data.sessions, freedom_of_runs(fit->coasts, inertia));
  return fit;
}

}  // namespace loadline
