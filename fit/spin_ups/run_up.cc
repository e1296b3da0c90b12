#include "fit/spin_ups/run_up.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "fit/equations/motor_equation.h"
#include "fit/readings/noise/noise.h"
#include "fit/solver/shaft_motion.h"
#include "fit/spin_ups/spin_up_constants.h"
#include "fit/spin_ups/winding_warmth.h"

namespace loadline {
namespace {

using namespace spin_up_chosen;

using Eigen::VectorXd;

constexpr int kPasses = 4;

// At a moment of the stretch: value first, then derivatives by curve parameters (internal),
// inertia, warmth, start speed.
struct Node {
  double time_s;
  VectorXd angle, speed, acceleration;
};

// Where the solution's nodes lie, by the speeds that were measured.
std::vector<double> moments_of(const RunUp& run) {
  const double gain = kStepGain * run.speed.back(), longest = kStepShare * run.length_s;
  std::vector<double> moments{0};
  double speed = run.speed.front();
  for (std::size_t i = 0; i < run.speed.size(); ++i) {
    const double since = run.end_s[i] - moments.back();
    const double gained = std::max(0.0, run.speed[i] - speed);
    if (gained < gain && since < longest && i + 1 < run.speed.size()) continue;
    const auto steps = static_cast<int>(std::ceil(std::max(gained / gain, since / longest)));
    const double first = moments.back();
    for (int step = 1; step <= steps; ++step) moments.push_back(first + since * step / steps);
    speed = run.speed[i];
  }
  return moments;
}

// Standard deviation of a window's mean speed.
double sd_of(const RunUp& run, std::size_t i) {
  return std::hypot(run.noise_sd * std::sqrt(run.correlation), run.place_sd[i]);
}

class RunUpProblem final : public Residuals {
 public:
  RunUpProblem(const MotorShape& shape, const std::vector<RunUp>& runs, double torque_scale)
      : shape_(shape),
        runs_(runs),
        prior_root_(shape.prior_root()),
        prior_mean_(shape.prior_mean()) {
    for (const RunUp& run : runs_) {
      moments_.push_back(moments_of(run));
      data_rows_ += static_cast<int>(run.speed.size());
      warming_.emplace_back(run, torque_scale);
    }
  }
  int parameters() const override { return first_start() + static_cast<int>(runs_.size()); }
  int count() const override { return data_rows_ + static_cast<int>(prior_root_.rows()) + 3; }
  int data_rows() const { return data_rows_; }
  int inertia_column() const { return shape_.size(); }
  int warmth_column() const { return shape_.size() + 1; }
  int first_start() const { return shape_.size() + 3; }

  bool evaluate(const double* x, double* r, double* jacobian) const override;
  VectorXd start(const VectorXd& curve) const {
    VectorXd x = VectorXd::Zero(parameters());
    x.head(shape_.size()) = curve;
    for (std::size_t j = 0; j < runs_.size(); ++j)
      x[first_start() + static_cast<int>(j)] = 0.7 * runs_[j].speed.front();
    return x;
  }

 private:
  int age_column() const { return shape_.size() + 2; }
  // What is the same at every step of one solution.
  struct Motion {
    VectorXd p;
    Eigen::MatrixXd by_internal;
    double inertia, inertia_sd;
    const WindingWarmth& warming;
    double warmth;  ///< 1 = as usual
  };
  /// Values alone, or with their derivatives.
  std::vector<Node> solve(const VectorXd& u, const double* x, double start, std::size_t run,
                          bool with_derivatives) const;
  VectorXd slope(const VectorXd& w, const Motion& motion, double volts) const;
  const MotorShape& shape_;
  const std::vector<RunUp>& runs_;
  Eigen::MatrixXd prior_root_;
  VectorXd prior_mean_;
  std::vector<WindingWarmth> warming_;
  std::vector<std::vector<double>> moments_;  ///< of the nodes
  int data_rows_ = 0;
};

double volts_at(const RunUp& run, double share) {
  if (run.volts.empty()) return 1;
  const double place = std::clamp(share, 0.0, 1.0) * static_cast<double>(run.volts.size() - 1);
  const std::size_t below = std::min(static_cast<std::size_t>(place), run.volts.size() - 1);
  const std::size_t above = std::min(below + 1, run.volts.size() - 1);
  return std::lerp(run.volts[below], run.volts[above], place - static_cast<double>(below));
}

// Acceleration and its derivatives at speed `w` (value and derivatives).
VectorXd RunUpProblem::slope(const VectorXd& w, const Motion& motion, double volts) const {
  const auto [growth, growth_slope] = motion.warming.at(w[0]);
  if (w.size() == 1)
    return VectorXd::Constant(
        1, shape_.torque(motion.p, w[0], volts, motion.warmth * growth) / motion.inertia);
  MotorShape::Torque torque;
  shape_.torque(motion.p, w[0], volts, motion.warmth * growth, torque);
  const double by_speed = torque.by_speed + torque.by_heat * motion.warmth * growth_slope;
  VectorXd a(w.size());
  a[0] = torque.value / motion.inertia;
  a.tail(w.size() - 1) = by_speed / motion.inertia * w.tail(w.size() - 1);
  a.segment(1, shape_.size()) += motion.by_internal.transpose() * torque.by_p / motion.inertia;
  a[1 + inertia_column()] -= torque.value / (motion.inertia * motion.inertia) * motion.inertia_sd;
  a[1 + warmth_column()] += torque.by_heat * growth * kWarmthSd / motion.inertia;
  return a;
}

std::vector<Node> RunUpProblem::solve(const VectorXd& u, const double* x, double start,
                                      std::size_t which, bool with_derivatives) const {
  const RunUp& run = runs_[which];
  const Motion motion{shape_.natural(u),
                      shape_.natural_by_internal(u),
                      std::max(run.inertia.mean + run.inertia.sd * x[inertia_column()], 1e-12),
                      run.inertia.sd,
                      warming_[which],
                      1 + kWarmthSd * x[warmth_column()]};
  const auto at = [&](const VectorXd& w, double share) {
    return slope(w, motion, volts_at(run, share));
  };
  const Eigen::Index n = with_derivatives ? shape_.size() + 4 : 1;
  VectorXd angle = VectorXd::Zero(n), w = VectorXd::Zero(n);
  w[0] = start;
  if (with_derivatives) w[n - 1] = 1;
  std::vector<Node> nodes;
  const std::vector<double>& moments = moments_[which];
  nodes.reserve(moments.size());
  nodes.push_back({0, angle, w, at(w, 0)});
  for (std::size_t i = 1; i < moments.size(); ++i) {
    const double h = moments[i] - moments[i - 1];
    const double share = moments[i - 1] / run.length_s, next = moments[i] / run.length_s,
                 half = (share + next) / 2;
    const auto gained = shaft_step(
        w, nodes.back().acceleration, h,
        [&](const VectorXd& speed, double part) { return at(speed, part < 1 ? half : next); });
    angle += gained.angle;
    w += gained.speed;
    nodes.push_back({moments[i], angle, w, at(w, next)});
  }
  return nodes;
}

// The last node not after t, and never the very last.
std::size_t node_before(const std::vector<Node>& nodes, double t) {
  const auto after = std::upper_bound(nodes.begin() + 1, nodes.end() - 1, t,
                                      [](double at, const Node& node) { return at < node.time_s; });
  return static_cast<std::size_t>(after - nodes.begin()) - 1;
}

// Quintic Hermite interpolation of the angle; before the stretch the first node's motion goes on.
VectorXd angle_at(const std::vector<Node>& nodes, double t) {
  if (t < nodes.front().time_s)
    return nodes.front().angle + (t - nodes.front().time_s) * nodes.front().speed;
  const std::size_t i = node_before(nodes, t);
  const Node &a = nodes[i], &b = nodes[i + 1];
  const double h = b.time_s - a.time_s, u = (t - a.time_s) / h;
  const auto by = quintic_hermite(u, h);
  return by[0] * a.angle + by[1] * b.angle + by[2] * a.speed + by[3] * b.speed +
         by[4] * a.acceleration + by[5] * b.acceleration;
}

bool RunUpProblem::evaluate(const double* x, double* r, double* jacobian) const {
  const int k = parameters(), size = shape_.size();
  const VectorXd u = Eigen::Map<const VectorXd>(x, size);
  if (jacobian) std::fill(jacobian, jacobian + static_cast<std::ptrdiff_t>(count()) * k, 0.0);
  int at = 0;
  for (std::size_t j = 0; j < runs_.size(); ++j) {
    const RunUp& run = runs_[j];
    const int start = first_start() + static_cast<int>(j);
    const std::vector<Node> nodes = solve(u, x, x[start], j, jacobian != nullptr);
    if (!nodes.back().speed.allFinite() || !nodes.back().angle.allFinite()) return false;
    for (std::size_t i = 0; i < run.speed.size(); ++i, ++at) {
      const double late = (run.late.mean + run.late.sd * x[age_column()]) / run.speed[i];
      const double length = run.end_s[i] - run.start_s[i];
      const VectorXd mean =
          (angle_at(nodes, run.end_s[i] - late) - angle_at(nodes, run.start_s[i] - late)) / length;
      const double weight = std::sqrt(run.weight[i]) / sd_of(run, i);
      r[at] = weight * (mean[0] - run.speed[i]);
      if (!jacobian) continue;
      double* line = jacobian + static_cast<std::ptrdiff_t>(at) * k;
      for (int c = 0; c <= warmth_column(); ++c) line[c] = weight * mean[1 + c];
      line[start] = weight * mean[mean.size() - 1];
      if (!(run.late.sd > 0)) continue;
      const auto node = [&](double t) { return nodes[node_before(nodes, t)].speed[0]; };
      line[age_column()] = -weight * run.late.sd *
                           (node(run.end_s[i] - late) - node(run.start_s[i] - late)) /
                           (length * run.speed[i]);
    }
  }
  const VectorXd prior = prior_root_ * (u - prior_mean_);
  for (Eigen::Index i = 0; i < prior.size(); ++i, ++at) {
    r[at] = prior[i];
    if (jacobian)
      Eigen::Map<VectorXd>(jacobian + static_cast<std::ptrdiff_t>(at) * k, k).head(size) =
          prior_root_.row(i);
  }
  for (const int column : {inertia_column(), warmth_column(), age_column()}) {
    r[at] = x[column];
    if (jacobian) jacobian[static_cast<std::ptrdiff_t>(at) * k + column] = 1;
    ++at;
  }
  return true;
}

void update_noise(RunUp& run, const std::vector<double>& residuals, double fitted) {
  const double floor = kFloor * run.speed.back();
  const double bulk = std::max(robust_sd(residuals), 3 * floor);
  std::vector<double> even(residuals.size());
  for (std::size_t i = 0; i < residuals.size(); ++i)
    even[i] = residuals[i] * bulk / std::hypot(bulk, run.place_sd[i]);
  Reweighted kept = reweighted(even, std::vector<double>(even.size(), bulk), fitted);
  run.weight = std::move(kept.weight);
  const double factor = std::max(0.5, correlation_factor(kept.residual, fitted).factor);
  const NoiseLevel level = noise_above_floor(kept.variance, factor, floor);
  run.noise_sd = level.sd;
  run.correlation = level.correlation;
}

SweepScale scale_of(const std::vector<RunUp>& runs) {
  SweepScale scale{0, 0, 0};
  for (const RunUp& run : runs) {
    scale.speed = std::max(scale.speed, run.speed.back());
    for (std::size_t i = 0; i < run.speed.size(); ++i)
      if (const auto next = next_push(run, i)) scale.torque = std::max(scale.torque, next->torque);
  }
  return scale;
}

std::vector<double> plain(const RunUpProblem& problem, const RunUpFit& fit, std::size_t run) {
  std::vector<double> r(static_cast<std::size_t>(problem.count()));
  problem.evaluate(fit.solution.parameters.data(), r.data(), nullptr);
  std::size_t first = 0;
  for (std::size_t j = 0; j < run; ++j) first += fit.runs[j].speed.size();
  const RunUp& of = fit.runs[run];
  std::vector<double> residuals;
  for (std::size_t i = 0; i < of.speed.size(); ++i) {
    const double weight = std::sqrt(std::max(of.weight[i], 1e-12)) / sd_of(of, i);
    residuals.push_back(r[first + i] / weight);
  }
  return residuals;
}

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
    fit.residuals.push_back(plain(problem, fit, j));
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
  const RunUpProblem problem(*fit.shape, fit.runs, scale.torque);
  fit.solution.rss = kUndefined;
  // Every start is followed: the equation has valleys far from the answer, where an iron that
  // grows with the current stands for the whole shape, and the first sum of squares does not tell.
  std::vector<VectorXd> starts;
  if (like && like->size() == problem.parameters())
    starts.push_back(*like);
  else
    for (const VectorXd& start : fit.shape->starts()) starts.push_back(problem.start(start));
  for (const VectorXd& start : starts) {
    NonlinearFit next = quick_fit(problem, start, {.max_iterations = 25, .tolerance = 1e-3});
    if (next.rss < fit.solution.rss) fit.solution = std::move(next);
  }
  if (!(fit.solution.rss < kUndefined)) return fit;
  for (int pass = 0; pass < kPasses; ++pass) {
    std::vector<std::vector<double>> residuals;
    for (std::size_t j = 0; j < fit.runs.size(); ++j) residuals.push_back(plain(problem, fit, j));
    for (std::size_t j = 0; j < fit.runs.size(); ++j) {
      update_noise(fit.runs[j], residuals[j], fit.shape->size());
      if (pass + 1 < kPasses) fit.runs[j].correlation = 1;  // as in sweep_fit.cc
    }
    fit.solution =
        quick_fit(problem, fit.solution.parameters, {.max_iterations = 20, .tolerance = 1e-6});
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
                     const std::optional<OwnDrag>& own_drag) {
  return fit_from(model, runs, own_drag, std::nullopt, false);
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
