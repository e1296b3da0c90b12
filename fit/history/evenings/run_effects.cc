#include "fit/history/evenings/run_effects.h"

#include <Eigen/Core>
#include <cmath>

#include "db/basis/students_t.h"
#include "fit/solver/dense.h"

namespace loadline {
namespace {

struct Design {
  std::vector<Eigen::Index> column_of;  // by session; −1 without a run
  Eigen::Index sessions = 0;
  Eigen::MatrixXd matrix;  // sessions, then the shared number where the runs tell it
  bool tells_shared() const { return matrix.cols() > sessions; }
};

Design design_of(const std::vector<RunFigure>& runs, std::size_t sessions) {
  Design design;
  design.column_of.assign(sessions, -1);
  for (const RunFigure& run : runs)
    if (design.column_of[run.session] < 0) design.column_of[run.session] = design.sessions++;
  const auto rows = static_cast<Eigen::Index>(runs.size());
  Eigen::MatrixXd all = Eigen::MatrixXd::Zero(rows, design.sessions + 1);
  for (Eigen::Index i = 0; i < rows; ++i) {
    const RunFigure& run = runs[static_cast<std::size_t>(i)];
    all(i, design.column_of[run.session]) = 1;
    all(i, design.sessions) = -run.by_shared;
  }
  design.matrix = rank_of(all, 1e-6) == all.cols() ? all : all.leftCols(design.sessions);
  return design;
}

Limits about(double value, double variance) {
  const double half = kNormal975 * std::sqrt(variance);
  return {value - half, value + half};
}

}  // namespace

RunEffects by_session(const std::vector<RunFigure>& runs, std::size_t sessions) {
  RunEffects effects;
  effects.sessions.resize(sessions);
  if (runs.empty()) return effects;
  const Design design = design_of(runs, sessions);
  const auto rows = static_cast<Eigen::Index>(runs.size());
  Eigen::VectorXd values(rows), variances(rows);
  for (Eigen::Index i = 0; i < rows; ++i) {
    values[i] = runs[static_cast<std::size_t>(i)].value;
    variances[i] = runs[static_cast<std::size_t>(i)].variance;
  }
  const RandomEffects model(values, variances, design.matrix);
  effects.run_variance = model.variance_between();
  const RandomEffects::Solution solution = model.solve(effects.run_variance.value_or(0));
  Eigen::VectorXd through = Eigen::VectorXd::Zero(design.sessions);  // session by shared number
  double shared_variance = 0;
  if (design.tells_shared()) {
    const Eigen::Index at = design.sessions;
    effects.shared = solution.coefficients[at];
    shared_variance = solution.covariance(at, at);
    through = solution.covariance.col(at).head(at) / shared_variance;
    effects.shared_variance = shared_variance * through.squaredNorm() / static_cast<double>(at);
    Contrast contrast{Eigen::VectorXd::Unit(design.matrix.cols(), at)};
    effects.shared_limits = model.limits(contrast);
    if (!effects.shared_limits) effects.shared_limits = about(*effects.shared, shared_variance);
  }
  std::vector<Contrast> contrasts;
  for (Eigen::Index at = 0; at < design.sessions; ++at)
    contrasts.push_back({Eigen::VectorXd::Unit(design.matrix.cols(), at)});
  const std::vector<Limits> limits = model.limits_of(contrasts);
  for (std::size_t s = 0; s < sessions; ++s) {
    const Eigen::Index at = design.column_of[s];
    if (at < 0) continue;
    SessionFigure& figure = effects.sessions[s];
    figure.known = true;
    figure.value = solution.coefficients[at];
    figure.variance =
        std::max(0.0, solution.covariance(at, at) - shared_variance * through[at] * through[at]);
    figure.limits = limits.empty() ? about(figure.value, solution.covariance(at, at))
                                   : limits[static_cast<std::size_t>(at)];
  }
  return effects;
}

}  // namespace loadline
