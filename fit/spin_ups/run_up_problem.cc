#include "fit/spin_ups/run_up_problem.h"

#include <algorithm>
#include <cmath>

#include "db/basis/units.h"
#include "fit/readings/noise/noise.h"
#include "fit/solver/shaft_motion.h"
#include "fit/spin_ups/spin_up_constants.h"

namespace loadline {
namespace {

using namespace spin_up_chosen;

using Eigen::VectorXd;

// When the shaft began to turn, by the first push.
double guessed_start(const RunUp& run) {
  const double middle = (run.start_s.front() + run.end_s.front()) / 2;
  const auto push = next_push(run, 0);
  const double since = push ? run.inertia.mean * run.speed.front() / push->torque : 0;
  return middle - std::max(since, 0.0);
}

// Where the solution's nodes lie, since the shaft began to turn, by the speeds that were measured;
// beyond the last one, for a start that is found to be earlier.
std::vector<double> moments_of(const RunUp& run) {
  const double from = guessed_start(run);
  const double gain = kStepGain * run.speed.back();
  const double longest = kStepShare * (run.end_s.back() - from);
  std::vector<double> moments{0};
  double speed = 0;
  const auto go_on = [&](double until, double gained) {
    const double first = moments.back(), since = until - first;
    const auto steps =
        std::max(1, static_cast<int>(std::ceil(std::max(gained / gain, since / longest))));
    for (int step = 1; step <= steps; ++step) moments.push_back(first + since * step / steps);
  };
  for (std::size_t i = 0; i < run.speed.size(); ++i) {
    const double until = run.end_s[i] - from;
    const double gained = std::max(0.0, run.speed[i] - speed);
    if (until <= moments.back()) continue;
    if (gained < gain && until - moments.back() < longest && i + 1 < run.speed.size()) continue;
    go_on(until, gained);
    speed = run.speed[i];
  }
  go_on(moments.back() + std::max(0.0, run.start_s.front() - from) + 3 * longest, 0);
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

// Quintic Hermite interpolation of the angle; before the first node the shaft stands.
VectorXd angle_at(const std::vector<RunUpNode>& nodes, double t) {
  if (!(t > 0)) return VectorXd::Zero(nodes.front().angle.size());
  const std::size_t i = node_before(nodes, t);
  const RunUpNode &a = nodes[i], &b = nodes[i + 1];
  const double h = b.time_s - a.time_s, u = (t - a.time_s) / h;
  const auto by = quintic_hermite(u, h);
  return by[0] * a.angle + by[1] * b.angle + by[2] * a.speed + by[3] * b.speed +
         by[4] * a.acceleration + by[5] * b.acceleration;
}

// When the shaft had turned so far, as above; `angle` is more than nought.
double time_at(const std::vector<RunUpNode>& nodes, double angle) {
  constexpr int kNewtonSteps = 5;
  const auto after =
      std::upper_bound(nodes.begin() + 1, nodes.end() - 1, angle,
                       [](double at, const RunUpNode& node) { return at < node.angle[0]; });
  const RunUpNode &a = *(after - 1), &b = *after;
  const double h = b.time_s - a.time_s;
  double u = std::clamp((angle - a.angle[0]) / (b.angle[0] - a.angle[0]), 0.0, 1.0);
  if (a.speed[0] == 0) u = std::sqrt(u);
  for (int step = 0; step < kNewtonSteps; ++step) {
    const auto by = quintic_hermite(u, h);
    const auto slope = cubic_hermite(u, h);
    const double at = by[0] * a.angle[0] + by[1] * b.angle[0] + by[2] * a.speed[0] +
                      by[3] * b.speed[0] + by[4] * a.acceleration[0] + by[5] * b.acceleration[0];
    const double speed = slope[0] * a.speed[0] + slope[1] * b.speed[0] +
                         slope[2] * a.acceleration[0] + slope[3] * b.acceleration[0];
    if (speed > 0) u = std::clamp(u + (angle - at) / (speed * h), 1e-6, 1.0);
  }
  return a.time_s + u * h;
}

double speed_at(const std::vector<RunUpNode>& nodes, double t) {
  if (!(t > 0)) return 0;
  const std::size_t i = node_before(nodes, t);
  const RunUpNode &a = nodes[i], &b = nodes[i + 1];
  const double h = b.time_s - a.time_s;
  const auto by = cubic_hermite((t - a.time_s) / h, h);
  return by[0] * a.speed[0] + by[1] * b.speed[0] + by[2] * a.acceleration[0] +
         by[3] * b.acceleration[0];
}

// Mean speed over the turn that ended `late` (rad) before `row` (s since the start), or over the
// part of it since the shaft began to turn: value and derivatives, and those by the moment of the
// row and by `late`.
struct TurnAgo {
  VectorXd value;
  double by_row = 0, by_late = 0;
};
TurnAgo turn_ago(const std::vector<RunUpNode>& nodes, double row, double late) {
  const VectorXd at_row = angle_at(nodes, row);
  TurnAgo turn{VectorXd::Zero(at_row.size())};
  const double end = at_row[0] - late, begin = std::max(0.0, end - 2 * kPi);
  if (!(end > 1e-3)) return turn;
  const double until = time_at(nodes, end), first = begin > 0 ? time_at(nodes, begin) : 0;
  const double window = until - first, mean = (end - begin) / window;
  const double by_until = 1 / speed_at(nodes, until);
  const double by_first = begin > 0 ? 1 / speed_at(nodes, first) : 0;
  // Of the angle that is counted, and of the window, by an angle that all grows by.
  const double counted = begin > 0 ? 0 : 1;
  const double by_angle = (counted - mean * (by_until - by_first)) / window;
  turn.value =
      (at_row * by_angle +
       mean / window * (angle_at(nodes, until) * by_until - angle_at(nodes, first) * by_first));
  turn.value[0] = mean;
  turn.by_row = by_angle * speed_at(nodes, row);
  turn.by_late = -by_angle;
  return turn;
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
    x[first_start() + static_cast<int>(j)] = guessed_start(runs_[j]);
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

std::vector<RunUpNode> RunUpProblem::solve(const VectorXd& u, const double* x, std::size_t which,
                                           bool with_derivatives) const {
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
  const Eigen::Index n = with_derivatives ? shape_.size() + 3 + bend_.terms() : 1;
  VectorXd angle = VectorXd::Zero(n), w = VectorXd::Zero(n);
  const double start = x[first_start() + static_cast<int>(which)];
  std::vector<RunUpNode> nodes;
  const std::vector<double>& moments = moments_[which];
  nodes.reserve(moments.size());
  nodes.push_back({0, angle, w, at(w, start / run.length_s)});
  for (std::size_t i = 1; i < moments.size(); ++i) {
    const double h = moments[i] - moments[i - 1];
    const double share = (start + moments[i - 1]) / run.length_s,
                 next = (start + moments[i]) / run.length_s, half = (share + next) / 2;
    const auto gained = shaft_step(
        w, nodes.back().acceleration, h,
        [&](const VectorXd& speed, double part) { return at(speed, part < 1 ? half : next); });
    angle += gained.angle;
    w += gained.speed;
    nodes.push_back({moments[i], angle, w, at(w, next)});
  }
  return nodes;
}

// Derivatives of a value by curve, inertia, warmth and bends.
void RunUpProblem::set_by_parameters(double* line, double weight, const VectorXd& value) const {
  for (int c = 0; c <= warmth_column(); ++c) line[c] = weight * value[1 + c];
  for (int b = 0; b < bend_.terms(); ++b)
    line[first_bend() + b] = weight * value[2 + warmth_column() + b];
}

bool RunUpProblem::evaluate(const double* x, double* r, double* jacobian) const {
  const int k = parameters(), size = shape_.size();
  const VectorXd u = Eigen::Map<const VectorXd>(x, size);
  if (jacobian) std::fill(jacobian, jacobian + static_cast<std::ptrdiff_t>(count()) * k, 0.0);
  int at = 0;
  for (std::size_t j = 0; j < runs_.size(); ++j) {
    const RunUp& run = runs_[j];
    const int start = first_start() + static_cast<int>(j);
    const std::vector<RunUpNode> nodes = solve(u, x, j, jacobian != nullptr);
    // A shaft that stands is one that the motor cannot start.
    if (!(nodes.front().acceleration[0] > 0)) return false;
    if (!nodes.back().speed.allFinite() || !nodes.back().angle.allFinite()) return false;
    const double late = run.late.mean + run.late.sd * x[age_column()];
    const double span = std::exp(run.span.mean + run.span.sd * x[span_column()]);
    for (std::size_t i = 0; i < run.speed.size(); ++i, ++at) {
      const double weight = std::sqrt(run.weight[i]) / sd_of(run, i);
      double* line = jacobian ? jacobian + static_cast<std::ptrdiff_t>(at) * k : nullptr;
      if (run.made == RunUp::Made::kTurnAgo) {
        const TurnAgo turn =
            turn_ago(nodes, run.end_s[i] - x[start], std::min(late - run.sooner[i], run.latest[i]));
        r[at] = weight * (turn.value[0] - run.speed[i]);
        if (!line) continue;
        set_by_parameters(line, weight, turn.value);
        line[start] = -weight * turn.by_row;
        line[age_column()] =
            late - run.sooner[i] < run.latest[i] ? weight * run.late.sd * turn.by_late : 0;
        continue;
      }
      const double until = run.end_s[i] - x[start] - late * run.age_end_s[i];
      const double usual = run.end_s[i] - run.start_s[i];
      const double longer = run.age_start_s[i] - run.age_end_s[i];
      double window = std::max(usual + late * longer, 0.1 * usual);
      if (run.made == RunUp::Made::kMean) window *= span;
      // A mean of what there was since the shaft began to turn, where the display began with it.
      const bool cut = run.begins_with_first && run.span.sd > 0 && window > until;
      if (cut) window = std::max(until, 0.1 * usual);
      const double first = until - window;
      VectorXd value = (angle_at(nodes, until) - angle_at(nodes, first)) / window;
      const double mean = value[0];
      // Of what was shown before, by so many lengths of the display's own.
      double kept = 0, lengths = 0;
      if (run.made != RunUp::Made::kMean) {
        lengths =
            run.made == RunUp::Made::kSmoothedOverTime ? usual / kSpan_s : mean * usual / (2 * kPi);
        lengths /= span;
        kept = std::exp(-lengths);
        value *= 1 - kept;
        value[0] += kept * run.shown_before[i];
      }
      r[at] = weight * (value[0] - run.speed[i]);
      if (!line) continue;
      set_by_parameters(line, weight, value);
      // Of the mean by either end of its window.
      const double by_until = (speed_at(nodes, until) - mean) / window,
                   by_first = (mean - speed_at(nodes, first)) / window;
      line[start] = -weight * (1 - kept) * (by_until + (cut ? 0 : by_first));
      line[age_column()] =
          -weight * run.late.sd * (1 - kept) *
          ((by_until + by_first) * run.age_end_s[i] + by_first * (cut ? 0 : longer));
      line[span_column()] =
          weight * run.span.sd *
          (run.made == RunUp::Made::kMean ? (cut ? 0 : -by_first * window)
                                          : kept * lengths * (run.shown_before[i] - mean));
    }
  }
  const VectorXd prior = prior_root_ * (u - prior_mean_);
  for (Eigen::Index i = 0; i < prior.size(); ++i, ++at) {
    r[at] = prior[i];
    if (jacobian)
      Eigen::Map<VectorXd>(jacobian + static_cast<std::ptrdiff_t>(at) * k, k).head(size) =
          prior_root_.row(i);
  }
  std::vector<int> unit{inertia_column(), warmth_column(), age_column(), span_column()};
  for (int b = 0; b < bend_.terms(); ++b) unit.push_back(first_bend() + b);
  for (const int column : unit) {
    r[at] = x[column];
    if (jacobian) jacobian[static_cast<std::ptrdiff_t>(at) * k + column] = 1;
    ++at;
  }
  return true;
}

namespace {

// How far edges lie apart from where they are taken to be is told by what is left over where the
// shaft gains speed most: the likeliest, and its own uncertainty on top. `places`: of what they are
// taken for now.
double place_scale(const std::vector<double>& residuals, const std::vector<double>& places,
                   double noise, double slot_sd) {
  const auto loss = [&](double scale) {
    double sum = 2 * std::log(1 + std::pow(scale * slot_sd / kUsualSlotSd, 2));
    for (std::size_t i = 0; i < residuals.size(); ++i) {
      const double variance = noise * noise + std::pow(scale * places[i], 2);
      sum += std::log(variance) + std::min(residuals[i] * residuals[i] / variance, kMostOfValue);
    }
    return sum;
  };
  constexpr int kSteps = 60;
  const auto scale = [&](int k) { return kWidestSlotSd / slot_sd * std::pow(1.12, k - kSteps); };
  std::vector<double> losses;
  for (int k = 0; k <= kSteps; ++k) losses.push_back(loss(scale(k)));
  const auto likeliest = std::min_element(losses.begin(), losses.end());
  auto widest = likeliest;
  while (widest + 1 != losses.end() && *(widest + 1) < *likeliest + 1) ++widest;
  return scale(static_cast<int>(widest - losses.begin()));
}

}  // namespace

void update_noise(RunUp& run, const std::vector<double>& residuals, double fitted) {
  const double floor = kFloor * run.speed.back();
  const double bulk = std::max(robust_sd(residuals), 3 * floor);
  if (run.slot_sd > 0) {
    const double scale = place_scale(residuals, run.place_sd, bulk, run.slot_sd);
    run.slot_sd *= scale;
    for (double& sd : run.place_sd) sd *= scale;
  }
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

namespace {

// Torque at standstill: that of an iron that the current magnetises goes with one over the square
// of a speed, so that 1/√T is taken to go on in a straight line from the first two pushes down,
// to four times the first at most.
double at_standstill(const RunUp& run) {
  const auto middle = [&](std::size_t i) { return (run.start_s[i] + run.end_s[i]) / 2; };
  double root[2], speed[2];
  std::size_t from = 0;
  for (int k = 0; k < 2; ++k) {
    std::size_t to = from;
    while (to < run.speed.size() && run.speed[to] < run.speed[from] + kFirstPush * run.speed.back())
      ++to;
    if (to == run.speed.size()) return 0;
    const double torque =
        run.inertia.mean * (run.speed[to] - run.speed[from]) / (middle(to) - middle(from));
    root[k] = 1 / std::sqrt(torque);
    speed[k] = (run.speed[from] + run.speed[to]) / 2;
    from = to;
  }
  const double down = (root[1] - root[0]) / (speed[1] - speed[0]) * speed[0];
  return std::pow(std::max(root[0] - std::max(down, 0.0), root[0] / 2), -2);
}

}  // namespace

SweepScale scale_of(const std::vector<RunUp>& runs) {
  SweepScale scale{0, 0, 0};
  for (const RunUp& run : runs) {
    scale.speed = std::max(scale.speed, run.speed.back());
    scale.torque = std::max(scale.torque, at_standstill(run));
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
