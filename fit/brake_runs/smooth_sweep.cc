#include "fit/brake_runs/smooth_sweep.h"

#include <cmath>
#include <numbers>

namespace loadline {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

constexpr double kLeastWeight = 1e-3;

// The rows of all runs in one list, with what each doubt does to them.
struct Cleaned {
  std::vector<double> speed, torque, weight;
  double correlation = 1;
  MatrixXd by_nuisance;      // of the cleaned torque by the standardised nuisances, in their order
  MatrixXd by_zero, by_bow;  // by each run's zero and bow, N·m
  VectorXd by_scale;
};

void add_run(Cleaned& cleaned, const SweepFit& fit, std::size_t j) {
  const VectorXd& u = fit.solution.parameters;
  const SweepProblem& problem = *fit.problem;
  const VectorXd p = fit.shape->natural(u.head(fit.shape->size()));
  const std::vector<double> residual = problem.plain_residuals(u, j);
  const SweepNoise& noise = problem.noise[j];
  const Sweep& sweep = fit.sweeps[j];
  MotorShape::Torque torque;
  double by_nuisance[SweepProblem::kNuisances];
  for (std::size_t i = 0; i < residual.size(); ++i) {
    const SweepRow& row = sweep.rows[i];
    const auto at = static_cast<Index>(cleaned.speed.size());
    problem.predict(p, u.data() + problem.column_of(j), j, row, torque, by_nuisance);
    fit.shape->torque(p, row.speed, 1.0, 0.0, torque);
    cleaned.speed.push_back(row.speed);
    cleaned.torque.push_back(torque.value + residual[i]);
    cleaned.weight.push_back(std::max(kLeastWeight, noise.weight[i]) / (noise.sd * noise.sd));
    const Index column = problem.column_of(j) - fit.shape->size();
    for (int c = 0; c < SweepProblem::kNuisances; ++c)
      cleaned.by_nuisance(at, column + c) = -by_nuisance[c];
    cleaned.by_zero(at, static_cast<Index>(j)) = 1;
    cleaned.by_bow(at, static_cast<Index>(j)) = std::sin(std::numbers::pi * row.share);
    cleaned.by_scale[at] = row.torque;
  }
  cleaned.correlation = std::max(cleaned.correlation, noise.correlation);
}

Cleaned clean(const SweepFit& fit) {
  Cleaned cleaned;
  Index rows = 0;
  for (const Sweep& sweep : fit.sweeps) rows += static_cast<Index>(sweep.rows.size());
  const auto runs = static_cast<Index>(fit.sweeps.size());
  cleaned.by_nuisance = MatrixXd::Zero(rows, SweepProblem::kNuisances * runs);
  cleaned.by_zero = cleaned.by_bow = MatrixXd::Zero(rows, runs);
  cleaned.by_scale = VectorXd::Zero(rows);
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j) add_run(cleaned, fit, j);
  return cleaned;
}

// What a change of the torques does to the coefficients: the free spline is linear in them.
class Response {
 public:
  Response(const Cleaned& cleaned, const SmoothFit& fit) : cleaned_(cleaned) {
    options_.intervals = static_cast<int>(fit.parameters.size()) - 3;
    options_.lambda = fit.lambda;
    options_.decreasing = false;
  }
  VectorXd to(const VectorXd& change) const {
    return fit_smooth(cleaned_.speed, {change.data(), static_cast<std::size_t>(change.size())},
                      cleaned_.weight, cleaned_.correlation, options_)
        .parameters;
  }
  MatrixXd to_columns(const MatrixXd& changes) const {
    MatrixXd response(options_.intervals + 3, changes.cols());
    for (Index c = 0; c < changes.cols(); ++c) response.col(c) = to(changes.col(c));
    return response;
  }

 private:
  const Cleaned& cleaned_;
  SmoothOptions options_;
};

MatrixXd doubts(const Cleaned& cleaned, const SmoothFit& smooth, const SweepFit& fit) {
  const Response response(cleaned, smooth);
  const Index nuisances = cleaned.by_nuisance.cols();
  const MatrixXd by = response.to_columns(cleaned.by_nuisance);
  // The nuisances as the noise and the priors leave them; slope, arm and zero come on their own.
  MatrixXd covariance =
      by * fit.solution.inverse_normal.bottomRightCorner(nuisances, nuisances) * by.transpose();
  const MatrixXd by_zero = response.to_columns(cleaned.by_zero);
  const MatrixXd by_bow = response.to_columns(cleaned.by_bow);
  double scale_sd = 0;
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j) {
    const TorqueSystematics& s = fit.sweeps[j].systematics;
    const VectorXd zero = by_zero.col(static_cast<Index>(j)) * s.zero_nm;
    const VectorXd bow = by_bow.col(static_cast<Index>(j)) * fit.bow_sd;
    covariance += zero * zero.transpose() + bow * bow.transpose();
    scale_sd = std::max(scale_sd, std::hypot(s.slope_relative, s.arm_relative));
  }
  const VectorXd by_scale = response.to(cleaned.by_scale) * scale_sd;
  return covariance + by_scale * by_scale.transpose();
}

}  // namespace

SmoothSweep smooth_sweep(const SweepFit& equation) {
  const Cleaned cleaned = clean(equation);
  SmoothSweep result;
  result.fit = fit_smooth(cleaned.speed, cleaned.torque, cleaned.weight, cleaned.correlation);
  result.covariance = result.fit.covariance + doubts(cleaned, result.fit, equation);
  double squares = 0, weights = 0;
  for (std::size_t i = 0; i < cleaned.speed.size(); ++i) {
    const double r = result.fit.residuals[static_cast<Index>(i)];
    squares += cleaned.weight[i] * r * r;
    weights += cleaned.weight[i];
  }
  result.rms = weights > 0 ? std::sqrt(squares / weights) : 0;
  return result;
}

}  // namespace loadline
