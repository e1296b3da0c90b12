#include "fit/spin_ups/bent_run_up.h"

#include <algorithm>
#include <cmath>
#include <vector>

#include "fit/curves/results.h"
#include "fit/solver/dense.h"
#include "fit/spin_ups/run_up_problem.h"
#include "fit/spin_ups/spin_up_constants.h"

namespace loadline {
namespace {

using namespace spin_up_chosen;
using Eigen::VectorXd;

// Standard deviations of the slowest wave as shares of the greatest torque; the widest settles the
// noise.
constexpr double kBends[] = {0.1, 0.03, 0.01, 0.003, 0};
constexpr int kNoisePasses = 3;

struct BentFit {
  TorqueBend bend;
  NonlinearFit solution;
  BentView view;
};

double log_determinant(const Eigen::MatrixXd& jacobian) {
  const Eigen::MatrixXd normal = jacobian.transpose() * jacobian;
  const VectorXd unit = normal.diagonal().cwiseMax(1e-300).cwiseSqrt();
  const Eigen::MatrixXd scaled =
      unit.cwiseInverse().asDiagonal() * normal * unit.cwiseInverse().asDiagonal();
  return symmetric_parts(scaled).values.array().max(1e-15).log().sum() +
         2 * unit.array().log().sum();
}

// −2 ln of the likelihood of single values, as if they were independent.
double of_values(const RunUpProblem& problem, const std::vector<RunUp>& runs, const VectorXd& x) {
  double sum = 0;
  for (std::size_t j = 0; j < runs.size(); ++j) {
    const std::vector<double> left = left_over(problem, runs, x, j);
    for (std::size_t i = 0; i < left.size(); ++i) {
      const double sd = std::hypot(runs[j].noise_sd, runs[j].place_sd[i]);
      sum += std::min(left[i] * left[i] / (sd * sd), kMostOfValue) + 2 * std::log(sd);
    }
  }
  return sum;
}

// Its noise is that beside the widest bends, the same for all.
std::vector<BentFit> fit_bent(const RunUpFit& fit) {
  std::vector<RunUp> runs = fit.runs;
  const SweepScale scale = scale_of(runs);
  std::vector<BentFit> fits;
  VectorXd from = fit.solution.parameters;
  const Eigen::Index plain = from.size();
  for (const double share : kBends) {
    BentFit next;
    next.bend = {share, scale.torque, 1.1 * scale.speed};
    const RunUpProblem problem(*fit.shape, runs, scale, next.bend);
    VectorXd start = VectorXd::Zero(problem.parameters());
    start.head(plain) = from.head(plain);
    next.solution = quick_fit(problem, start, {.max_iterations = 25, .tolerance = 1e-4});
    for (int pass = 0; fits.empty() && pass < kNoisePasses; ++pass) {
      if (!(next.solution.rss < kUndefined)) return {};
      const VectorXd& x = next.solution.parameters;
      std::vector<std::vector<double>> residuals;
      for (std::size_t j = 0; j < runs.size(); ++j)
        residuals.push_back(left_over(problem, runs, x, j));
      for (std::size_t j = 0; j < runs.size(); ++j)
        update_noise(runs[j], residuals[j], static_cast<double>(problem.parameters()));
      next.solution = quick_fit(problem, x, {.max_iterations = 20, .tolerance = 1e-4});
    }
    if (!(next.solution.rss < kUndefined) || !next.solution.inverse_normal.allFinite()) continue;
    next.view.values = of_values(problem, runs, next.solution.parameters);
    next.view.parameters =
        next.solution.residuals.tail(problem.count() - problem.data_rows()).squaredNorm() +
        log_determinant(next.solution.jacobian);
    for (const RunUp& run : runs)
      next.view.correlation = std::max(next.view.correlation, run.correlation);
    fits.push_back(std::move(next));
  }
  return fits;
}

using Results = std::array<double, 4>;

// By a table of the torque; what is not there is NaN.
Results results_of(const MotorShape& shape, const TorqueBend& bend, const VectorXd& x) {
  constexpr int kSteps = 240;
  const VectorXd p = shape.natural(x.head(shape.size()));
  const VectorXd waves = x.tail(bend.terms());
  const double step = 1.4 * bend.top / kSteps;
  std::vector<double> torque;
  for (int i = 0; i <= kSteps; ++i)
    torque.push_back(shape.torque(p, i * step, 1, 0) + bend.torque_of(waves, i * step));
  Results results{torque.front(), std::nan(""), std::nan(""), std::nan("")};
  std::size_t top = 1;
  while (top < torque.size() && torque[top] > 0) ++top;
  if (top < torque.size() && torque[top - 1] > 0)
    results[1] = step * (static_cast<double>(top) - torque[top] / (torque[top] - torque[top - 1]));
  std::size_t most = 0;
  const auto power = [&](std::size_t i) { return static_cast<double>(i) * step * torque[i]; };
  for (std::size_t i = 0; i < top; ++i)
    if (power(i) > power(most)) most = i;
  if (most == 0 || most + 1 >= torque.size()) return results;
  const double before = power(most - 1), at = power(most), after = power(most + 1);
  const double off = (before - after) / (2 * (before - 2 * at + after));
  results[2] = at - (before - after) * off / 4;
  results[3] = step * (static_cast<double>(most) + off);
  return results;
}

// Logarithms of the results, with what this fit leaves open of them.
void set_results(const RunUpFit& fit, BentFit& bent) {
  constexpr double kStep = 0.1;  // of a standard deviation
  const VectorXd& x = bent.solution.parameters;
  const int size = fit.shape->size(), terms = bent.bend.terms();
  const auto n = x.size();
  std::vector<Eigen::Index> open;
  for (Eigen::Index i = 0; i < size; ++i) open.push_back(i);
  for (Eigen::Index i = n - terms; i < n; ++i) open.push_back(i);
  const Eigen::MatrixXd& covariance = bent.solution.inverse_normal;
  const auto logs = [&](const VectorXd& at) {
    Results r = results_of(*fit.shape, bent.bend, at);
    for (std::size_t k = 0; k < r.size(); ++k) r[k] = r[k] > 0 ? std::log(r[k]) : std::nan("");
    return r;
  };
  const Results here = logs(x);
  Eigen::MatrixXd by = Eigen::MatrixXd::Zero(n, 4);
  for (const Eigen::Index i : open) {
    VectorXd moved = x;
    const double step = kStep * std::sqrt(covariance(i, i));
    moved[i] += step;
    const Results up = logs(moved);
    moved[i] -= 2 * step;
    const Results down = logs(moved);
    for (int k = 0; k < 4; ++k) {
      const auto at = static_cast<std::size_t>(k);
      by(i, k) = (up[at] - down[at]) / (2 * step);
    }
  }
  for (int k = 0; k < 4; ++k) {
    const auto at = static_cast<std::size_t>(k);
    bent.view.result[at] = here[at];
    bent.view.variance[at] = by.col(k).dot(covariance * by.col(k));
  }
}

}  // namespace

std::vector<BentView> bent_views(const RunUpFit& fit) {
  std::vector<BentView> views;
  for (BentFit& bent : fit_bent(fit)) {
    set_results(fit, bent);
    views.push_back(bent.view);
  }
  return views;
}

std::vector<double> shares_of(const std::vector<std::vector<BentView>>& ways) {
  double correlation = 1e300, least = 1e300;
  for (const auto& views : ways)
    for (const BentView& view : views) correlation = std::min(correlation, view.correlation);
  correlation = std::max(1.0, correlation);
  const auto evidence = [&](const BentView& view) {
    return view.values / correlation + view.parameters;
  };
  for (const auto& views : ways)
    for (const BentView& view : views) least = std::min(least, evidence(view));
  std::vector<double> shares;
  for (const auto& views : ways)
    for (const BentView& view : views) shares.push_back(std::exp(-(evidence(view) - least) / 2));
  double sum = 0;
  for (const double share : shares) sum += share;
  for (double& share : shares) share /= sum;
  return shares;
}

BentResults bent_results(const std::vector<std::vector<BentView>>& ways, const Curve& curve) {
  Results of_curve{stall_torque(curve).value, std::nan(""), std::nan(""), std::nan("")};
  if (const auto top = no_load_speed(curve)) of_curve[1] = top->value;
  if (const auto peak = peak_power(curve)) {
    of_curve[2] = peak->power.value;
    of_curve[3] = peak->speed.value;
  }
  const std::vector<double> shares = shares_of(ways);
  BentResults mean{};
  std::size_t at = 0;
  for (const auto& views : ways)
    for (const BentView& view : views) {
      for (std::size_t k = 0; k < mean.size(); ++k) {
        const double off = view.result[k] - std::log(of_curve[k]);
        const double square = view.variance[k] + off * off;
        mean[k] += shares[at] * (std::isfinite(square) ? std::min(1.0, square) : 1);
      }
      ++at;
    }
  return mean;
}

}  // namespace loadline
