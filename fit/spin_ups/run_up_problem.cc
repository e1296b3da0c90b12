#include "fit/spin_ups/run_up_problem.h"

#include <algorithm>
#include <cmath>

#include "fit/readings/noise/noise.h"
#include "fit/solver/shaft_motion.h"
#include "fit/spin_ups/spin_up_constants.h"

namespace loadline {
namespace {

using namespace spin_up_chosen;

using Eigen::VectorXd;

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

double volts_at(const RunUp& run, double share) {
  if (run.volts.empty()) return 1;
  const double place = std::clamp(share, 0.0, 1.0) * static_cast<double>(run.volts.size() - 1);
  const std::size_t below = std::min(static_cast<std::size_t>(place), run.volts.size() - 1);
  const std::size_t above = std::min(below + 1, run.volts.size() - 1);
  return std::lerp(run.volts[below], run.volts[above], place - static_cast<double>(below));
}

// The last node not after t, and never the very last.
std::size_t node_before(const std::vector<RunUpNode>& nodes, double t) {
  const auto after =
      std::upper_bound(nodes.begin() + 1, nodes.end() - 1, t,
                       [](double at, const RunUpNode& node) { return at < node.time_s; });
  return static_cast<std::size_t>(after - nodes.begin()) - 1;
}

// Quintic Hermite interpolation of the angle; before the stretch the first node's motion goes on.
VectorXd angle_at(const std::vector<RunUpNode>& nodes, double t) {
  if (t < nodes.front().time_s)
    return nodes.front().angle + (t - nodes.front().time_s) * nodes.front().speed;
  const std::size_t i = node_before(nodes, t);
  const RunUpNode &a = nodes[i], &b = nodes[i + 1];
  const double h = b.time_s - a.time_s, u = (t - a.time_s) / h;
  const auto by = quintic_hermite(u, h);
  return by[0] * a.angle + by[1] * b.angle + by[2] * a.speed + by[3] * b.speed +
         by[4] * a.acceleration + by[5] * b.acceleration;
}

}  // namespace

double sd_of(const RunUp& run, std::size_t i) {
  return std::hypot(run.noise_sd * std::sqrt(run.correlation), run.place_sd[i]);
}

RunUpProblem::RunUpProblem(const MotorShape& shape, const std::vector<RunUp>& runs,
                           const SweepScale& scale, const TorqueBend& bend)
    : shape_(shape),
      bend_(bend),
      runs_(runs),
      prior_root_(shape.prior_root()),
      prior_mean_(shape.prior_mean()) {
  for (const RunUp& run : runs_) {
    moments_.push_back(moments_of(run));
    data_rows_ += static_cast<int>(run.speed.size());
    warming_.emplace_back(run, scale.torque);
  }
}

VectorXd RunUpProblem::start(const VectorXd& curve) const {
  VectorXd x = VectorXd::Zero(parameters());
  x.head(shape_.size()) = curve;
  for (std::size_t j = 0; j < runs_.size(); ++j)
    x[first_start() + static_cast<int>(j)] = 0.7 * runs_[j].speed.front();
  return x;
}

// Acceleration and its derivatives at speed `w` (value and derivatives).
VectorXd RunUpProblem::slope(const VectorXd& w, const Motion& motion, double volts) const {
  const auto [growth, growth_slope] = motion.warming.at(w[0]);
  const double bent = bend_.torque_of(motion.bends, w[0]);
  if (w.size() == 1)
    return VectorXd::Constant(
        1, (shape_.torque(motion.p, w[0], volts, motion.warmth * growth) + bent) / motion.inertia);
  MotorShape::Torque torque;
  shape_.torque(motion.p, w[0], volts, motion.warmth * growth, torque);
  torque.value += bent;
  torque.by_speed += bend_.slope(motion.bends, w[0]);
  const double by_speed = torque.by_speed + torque.by_heat * motion.warmth * growth_slope;
  VectorXd a(w.size());
  a[0] = torque.value / motion.inertia;
  a.tail(w.size() - 1) = by_speed / motion.inertia * w.tail(w.size() - 1);
  a.segment(1, shape_.size()) += motion.by_internal.transpose() * torque.by_p / motion.inertia;
  a[1 + inertia_column()] -= torque.value / (motion.inertia * motion.inertia) * motion.inertia_sd;
  a[1 + warmth_column()] += torque.by_heat * growth * kWarmthSd / motion.inertia;
  for (int k = 0; k < bend_.terms(); ++k)
    a[2 + warmth_column() + k] += bend_.term(k, w[0]) / motion.inertia;
  return a;
}

std::vector<RunUpNode> RunUpProblem::solve(const VectorXd& u, const double* x, double start,
                                           std::size_t which, bool with_derivatives) const {
  const RunUp& run = runs_[which];
  const Motion motion{shape_.natural(u),
                      shape_.natural_by_internal(u),
                      std::max(run.inertia.mean + run.inertia.sd * x[inertia_column()], 1e-12),
                      run.inertia.sd,
                      warming_[which],
                      1 + kWarmthSd * x[warmth_column()],
                      Eigen::Map<const VectorXd>(x + first_bend(), bend_.terms())};
  const auto at = [&](const VectorXd& w, double share) {
    return slope(w, motion, volts_at(run, share));
  };
  const Eigen::Index n = with_derivatives ? shape_.size() + 4 + bend_.terms() : 1;
  VectorXd angle = VectorXd::Zero(n), w = VectorXd::Zero(n);
  w[0] = start;
  if (with_derivatives) w[n - 1] = 1;
  std::vector<RunUpNode> nodes;
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

bool RunUpProblem::evaluate(const double* x, double* r, double* jacobian) const {
  const int k = parameters(), size = shape_.size();
  const VectorXd u = Eigen::Map<const VectorXd>(x, size);
  if (jacobian) std::fill(jacobian, jacobian + static_cast<std::ptrdiff_t>(count()) * k, 0.0);
  int at = 0;
  for (std::size_t j = 0; j < runs_.size(); ++j) {
    const RunUp& run = runs_[j];
    const int start = first_start() + static_cast<int>(j);
    const std::vector<RunUpNode> nodes = solve(u, x, x[start], j, jacobian != nullptr);
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
      for (int b = 0; b < bend_.terms(); ++b)
        line[first_bend() + b] = weight * mean[2 + warmth_column() + b];
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
  std::vector<int> unit{inertia_column(), warmth_column(), age_column()};
  for (int b = 0; b < bend_.terms(); ++b) unit.push_back(first_bend() + b);
  for (const int column : unit) {
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

std::vector<double> left_over(const RunUpProblem& problem, const std::vector<RunUp>& runs,
                              const VectorXd& parameters, std::size_t run) {
  std::vector<double> r(static_cast<std::size_t>(problem.count()));
  problem.evaluate(parameters.data(), r.data(), nullptr);
  std::size_t first = 0;
  for (std::size_t j = 0; j < run; ++j) first += runs[j].speed.size();
  const RunUp& of = runs[run];
  std::vector<double> residuals;
  for (std::size_t i = 0; i < of.speed.size(); ++i) {
    const double weight = std::sqrt(std::max(of.weight[i], 1e-12)) / sd_of(of, i);
    residuals.push_back(r[first + i] / weight);
  }
  return residuals;
}

}  // namespace loadline
