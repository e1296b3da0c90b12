#include "fit/curves/run_levels.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "db/basis/students_t.h"
#include "fit/solver/dense.h"

namespace loadline {
namespace {

constexpr double kLeastScatter = 1e-5, kMostScatter = 1;  // of levels

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

double widened(double size, double freedom) {
  return size * student_t_975(std::max(1.0, freedom)) / kNormal975;
}

}  // namespace

LevelData::LevelData(Eigen::MatrixXd information_, Eigen::VectorXd right_,
                     const std::vector<int>& session_of)
    : information(std::move(information_)), right(std::move(right_)) {
  const Eigen::Index count = right.size();
  same_session = Eigen::MatrixXd::Zero(count, count);
  for (Eigen::Index i = 0; i < count; ++i)
    for (Eigen::Index j = 0; j < count; ++j)
      if (session_of[static_cast<std::size_t>(i)] == session_of[static_cast<std::size_t>(j)])
        same_session(i, j) = 1;
  sessions = 1 + *std::max_element(session_of.begin(), session_of.end());
}

Eigen::MatrixXd LevelData::covariance(double of_runs, double of_sessions) const {
  return of_runs * of_runs * Eigen::MatrixXd::Identity(right.size(), right.size()) +
         of_sessions * of_sessions * same_session;
}

double LevelData::deviance(double of_runs, double of_sessions) const {
  const Eigen::MatrixXd k = covariance(of_runs, of_sessions);
  Eigen::MatrixXd sum = k * information;
  sum.diagonal().array() += 1;
  const Eigen::PartialPivLU<Eigen::MatrixXd> lu(sum);
  return std::log(std::fabs(lu.determinant())) - right.dot(lu.solve(k * right));
}

Json to_json(const LevelScatter& scatter) {
  return {{"from_run_to_run", to_json(Estimate::exact(100 * scatter.of_runs, "%"))},
          {"from_session_to_session", to_json(Estimate::exact(100 * scatter.of_sessions, "%"))}};
}

std::string to_text(const LevelScatter& scatter) {
  if (!scatter.known) return "";
  const std::string runs =
      fmt::format("  runs scatter by {} % as a whole", significant(100 * scatter.of_runs, 2));
  if (scatter.of_sessions == 0) return runs + "\n";
  return fmt::format("{}, sessions by {} %\n", runs, significant(100 * scatter.of_sessions, 2));
}

LevelScatter scatter_of(const LevelData& data) {
  LevelScatter scatter;
  scatter.known = true;
  const auto count = static_cast<int>(data.right.size());
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

EffectsBeside effects_beside(const NonlinearFit& solution, const Eigen::MatrixXd& columns) {
  const Eigen::MatrixXd crossed = solution.jacobian.transpose() * columns;
  EffectsBeside beside;
  beside.by_effect = solution.inverse_normal * crossed;
  beside.information = columns.transpose() * columns - crossed.transpose() * beside.by_effect;
  beside.information = (beside.information + beside.information.transpose().eval()) / 2;
  // Residuals are model less reading.
  beside.right =
      beside.by_effect.transpose() * (solution.jacobian.transpose() * solution.residuals) -
      columns.transpose() * solution.residuals;
  return beside;
}

EffectsBeside without_others(const EffectsBeside& all, Eigen::Index count,
                             const Eigen::VectorXd& other_variances) {
  const Eigen::Index others = other_variances.size();
  const Eigen::MatrixXd inner = Eigen::MatrixXd::Identity(others, others) +
                                Eigen::MatrixXd(other_variances.asDiagonal()) *
                                    all.information.bottomRightCorner(others, others);
  const Eigen::MatrixXd gain =
      all.information.topRightCorner(count, others) *
      inner.partialPivLu().solve(Eigen::MatrixXd(other_variances.asDiagonal()));
  EffectsBeside some;
  some.information = all.information.topLeftCorner(count, count) -
                     gain * all.information.bottomLeftCorner(others, count);
  some.information = (some.information + some.information.transpose().eval()) / 2;
  some.right = all.right.head(count) - gain * all.right.tail(others);
  some.by_effect = all.by_effect.leftCols(count);
  return some;
}

LevelData level_data(const EffectsBeside& levels, const std::vector<int>& session_of) {
  constexpr double kLeastInformation = 100;  // a level known to a tenth
  const Eigen::VectorXd common = levels.information.rowwise().sum();
  const double of_all = common.sum();
  Eigen::MatrixXd information = levels.information;
  Eigen::VectorXd right = levels.right;
  if (of_all > 0) {
    information -= common * common.transpose() / of_all;
    right -= common * (levels.right.sum() / of_all);
  }
  const SymmetricParts parts = symmetric_parts(information);
  const Eigen::VectorXd kept = (parts.values.array() > kLeastInformation).cast<double>();
  const Eigen::MatrixXd along = parts.vectors * kept.asDiagonal();
  return {along * parts.values.asDiagonal() * along.transpose(),
          along * (parts.vectors.transpose() * right), session_of};
}

Eigen::MatrixXd covariance_of_levels(const LevelData& data, const LevelScatter& scatter,
                                     const Eigen::MatrixXd& by_level) {
  const double runs = static_cast<double>(data.right.size());
  const Eigen::MatrixXd levels = data.covariance(widened(scatter.of_runs, runs - data.sessions),
                                                 widened(scatter.of_sessions, data.sessions - 1));
  return by_level * levels * by_level.transpose();
}

}  // namespace loadline
