#include "fit/spin_ups/run_up.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "db/basis/units.h"
#include "fit/equations/motor_equation.h"
#include "fit/readings/noise/noise.h"
#include "fit/spin_ups/run_up_problem.h"
#include "fit/spin_ups/spin_up_constants.h"
#include "fit/spin_ups/winding_warmth.h"

namespace loadline {
namespace {

using namespace spin_up_chosen;

using Eigen::VectorXd;

constexpr int kPasses = 4;

// −2 ln L of the single values, and twice that of the course of the speed: means of neighbours.
constexpr std::size_t kBlocks = 24;
double score_of(const RunUpFit& fit) {
  double sum = 0;
  for (std::size_t j = 0; j < fit.runs.size(); ++j) {
    const RunUp& run = fit.runs[j];
    const std::vector<double>& r = fit.residuals[j];
    const std::size_t blocks = std::min(kBlocks, r.size() / 3);
    double squares = 0;
    for (std::size_t b = 0; b < blocks; ++b) {
      double course = 0, n = 0;
      for (std::size_t i = b * r.size() / blocks; i < (b + 1) * r.size() / blocks; ++i) {
        const double sd = std::hypot(run.noise_sd, run.place_sd[i]);
        course += r[i] * run.noise_sd / sd;
        n += 1;
        sum += std::min(r[i] * r[i] / (sd * sd), kMostOfValue) + 2 * std::log(sd);
      }
      squares += course * course / (n * n);
    }
    const double floor = kFloor * run.speed.back();
    sum += 2 * static_cast<double>(blocks) *
           std::log(squares / static_cast<double>(blocks) + floor * floor);
  }
  return sum;
}

void finish(RunUpFit& fit, const RunUpProblem& problem) {
  const int size = fit.shape->size();
  const VectorXd u = fit.solution.parameters.head(size);
  fit.natural = fit.shape->natural(u);
  const Eigen::MatrixXd by = fit.shape->natural_by_internal(u);
  fit.covariance = by * fit.solution.inverse_normal.topLeftCorner(size, size) * by.transpose();
  const Eigen::MatrixXd data = fit.solution.jacobian.topRows(problem.data_rows());
  fit.parameters = (fit.solution.inverse_normal * (data.transpose() * data)).trace();
  double squares = 0, kept = 0;
  for (std::size_t j = 0; j < fit.runs.size(); ++j) {
    fit.residuals.push_back(left_over(problem, fit.runs, fit.solution.parameters, j));
    double own = 0;
    for (std::size_t i = 0; i < fit.runs[j].speed.size(); ++i) {
      squares += fit.runs[j].weight[i] * std::pow(fit.residuals[j][i], 2);
      own += fit.runs[j].weight[i];
    }
    kept += own;
    fit.values += own / std::max(1.0, fit.runs[j].correlation);
  }
  fit.speed_rms = std::sqrt(squares / std::max(1.0, kept));
  fit.score = score_of(fit);
  fit.runs_z = runs_test_z(fit.residuals.front());
}

}  // namespace

namespace {

RunUpFit fit_from(const std::string& model, const std::vector<RunUp>& runs,
                  const std::optional<OwnDrag>& own_drag, const std::optional<VectorXd>& like,
                  bool quickly) {
  RunUpFit fit;
  fit.runs = runs;
  const SweepScale scale = scale_of(runs);
  fit.shape = motor_equation(model)->shape(scale, own_drag);
  const RunUpProblem problem(*fit.shape, fit.runs, scale);
  fit.solution.rss = kUndefined;
  // Every start is followed: the equation has valleys far from the answer, where an iron that
  // grows with the current stands for the whole shape, and the first sum of squares does not tell.
  std::vector<VectorXd> starts;
  if (like && like->size() == problem.parameters()) {
    starts.push_back(*like);
    if (quickly) starts.back()[problem.age_column()] = starts.back()[problem.span_column()] = 0;
  }
  // A display that reaches far back says that the shaft began to turn long before.
  if (quickly && !starts.empty() && runs.front().span.sd > 0)
    for (const VectorXd& from :
         {VectorXd(starts.front()), problem.start(fit.shape->starts().front())}) {
      starts.push_back(from);
      starts.back()[problem.span_column()] = 1;
      if (runs.front().made == RunUp::Made::kMean)
        starts.back().segment(problem.first_start(), static_cast<Eigen::Index>(runs.size())) -=
            VectorXd::Constant(static_cast<Eigen::Index>(runs.size()), kSpan_s);
    }
  // One that shows an earlier turn says so of how long ago that was: one turn or two.
  if (quickly && !starts.empty() && runs.front().made == RunUp::Made::kTurnAgo) {
    VectorXd from = problem.start(starts.front().head(fit.shape->size()));
    from[problem.warmth_column()] = starts.front()[problem.warmth_column()];
    starts.clear();
    starts.reserve(2);
    const Prior& late = runs.front().late;
    for (const double turns : {1, 2}) {
      from[problem.age_column()] = (2 * kPi * turns + kPi - late.mean) / late.sd;
      starts.push_back(from);
    }
  }
  if (starts.empty())
    for (const VectorXd& start : fit.shape->starts()) starts.push_back(problem.start(start));
  for (const VectorXd& start : starts) {
    NonlinearFit next = quick_fit(problem, start, {.max_iterations = 25, .tolerance = 1e-3});
    if (next.rss < fit.solution.rss) fit.solution = std::move(next);
  }
  if (!(fit.solution.rss < kUndefined)) return fit;
  const int passes = quickly ? kPasses - 1 : kPasses;
  for (int pass = 0; pass < passes; ++pass) {
    std::vector<std::vector<double>> residuals;
    for (std::size_t j = 0; j < fit.runs.size(); ++j)
      residuals.push_back(left_over(problem, fit.runs, fit.solution.parameters, j));
    for (std::size_t j = 0; j < fit.runs.size(); ++j) {
      update_noise(fit.runs[j], residuals[j], fit.shape->size());
      if (pass + 1 < passes) fit.runs[j].correlation = 1;  // as in sweep_fit.cc
    }
    fit.solution =
        quick_fit(problem, fit.solution.parameters,
                  {.max_iterations = 60, .tolerance = quickly ? 1e-5 : 1e-6, .geodesic = true});
  }
  NonlinearOptions last;
  last.near = true;
  if (!quickly) fit.solution = fit_nonlinear(problem, fit.solution.parameters, last);
  if (!fit.solution.inverse_normal.allFinite()) return fit;
  finish(fit, problem);
  fit.usable = true;
  return fit;
}

}  // namespace

RunUpFit fit_run_ups(const std::string& model, const std::vector<RunUp>& runs,
                     const std::optional<OwnDrag>& own_drag,
                     const std::optional<Eigen::VectorXd>& also) {
  return fit_from(model, runs, own_drag, also, false);
}

RunUpFit fit_run_ups_quickly(const std::string& model, const std::vector<RunUp>& runs,
                             const std::optional<OwnDrag>& own_drag,
                             const std::optional<VectorXd>& start) {
  return fit_from(model, runs, own_drag, start, true);
}

LevelScatter add_levels(RunUpFit& fit, const std::vector<int>& session_of) {
  const auto runs = static_cast<Eigen::Index>(fit.runs.size());
  const int size = fit.shape->size();  // the inertia's column comes next
  if (runs < 2) return {};
  Eigen::MatrixXd columns = Eigen::MatrixXd::Zero(fit.solution.jacobian.rows(), runs);
  Eigen::Index row = 0;
  for (Eigen::Index j = 0; j < runs; ++j) {
    const RunUp& run = fit.runs[static_cast<std::size_t>(j)];
    const auto rows = static_cast<Eigen::Index>(run.speed.size());
    // Larger torques do what a smaller inertia does.
    if (run.inertia.sd > 0)
      columns.col(j).segment(row, rows) =
          -run.inertia.mean / run.inertia.sd * fit.solution.jacobian.col(size).segment(row, rows);
    row += rows;
  }
  const EffectsBeside levels = effects_beside(fit.solution, columns);
  if (!levels.information.allFinite() || !levels.right.allFinite()) return {};
  const LevelData data = level_data(levels, session_of);
  const LevelScatter scatter = scatter_of(data);
  const Eigen::MatrixXd by = fit.shape->natural_by_internal(fit.solution.parameters.head(size)) *
                             levels.by_effect.topRows(size);
  fit.covariance += covariance_of_levels(data, scatter, by);
  return scatter;
}

}  // namespace loadline
