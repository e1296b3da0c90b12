#include "fit/curves/run_up.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "fit/readings/noise.h"

namespace loadline {
namespace {

using Eigen::VectorXd;

constexpr int kSteps = 300;  // of the Runge–Kutta solution
constexpr int kPasses = 4;
constexpr double kFloor = 1e-4;             // of the top speed: what digits leave of perfect data
constexpr double kAge = 0.1, kAgeSd = 0.2;  // rad, see fit/curves/coast.cc
constexpr double kFullWeight = 4, kNoWeight = 6;

// Value first, then derivatives by curve parameters (internal), inertia, start speed.
struct Node {
  VectorXd angle, speed, acceleration;
};

class RunUpProblem final : public Residuals {
 public:
  RunUpProblem(const MotorShape& shape, const std::vector<RunUp>& runs)
      : shape_(shape),
        runs_(runs),
        prior_root_(shape.prior_root()),
        prior_mean_(shape.prior_mean()) {
    for (const RunUp& run : runs_) {
      data_rows_ += static_cast<int>(run.speed.size());
      with_age_ = with_age_ || !run.windows_exact;
    }
  }
  int parameters() const override { return first_start() + static_cast<int>(runs_.size()); }
  int count() const override { return data_rows_ + static_cast<int>(prior_root_.rows()) + 2; }
  int data_rows() const { return data_rows_; }
  int inertia_column() const { return shape_.size(); }
  int first_start() const { return shape_.size() + 2; }

  bool evaluate(const double* x, double* r, double* jacobian) const override;
  VectorXd start(const VectorXd& curve) const {
    VectorXd x = VectorXd::Zero(parameters());
    x.head(shape_.size()) = curve;
    x[age_column()] = with_age_ ? kAge : 0;
    for (std::size_t j = 0; j < runs_.size(); ++j)
      x[first_start() + static_cast<int>(j)] = 0.7 * runs_[j].speed.front();
    return x;
  }

 private:
  int age_column() const { return shape_.size() + 1; }
  std::vector<Node> solve(const VectorXd& u, double inertia_q, double start,
                          const RunUp& run) const;
  VectorXd slope(const VectorXd& w, const VectorXd& p, const Eigen::MatrixXd& by_internal,
                 double volts, double inertia, double inertia_sd) const;
  const MotorShape& shape_;
  const std::vector<RunUp>& runs_;
  Eigen::MatrixXd prior_root_;
  VectorXd prior_mean_;
  int data_rows_ = 0;
  bool with_age_ = false;
};

double volts_at(const RunUp& run, double share) {
  if (run.volts.empty()) return 1;
  const double place = std::clamp(share, 0.0, 1.0) * static_cast<double>(run.volts.size() - 1);
  return run.volts[static_cast<std::size_t>(place)];
}

// Acceleration and its derivatives at speed `w` (value and derivatives).
VectorXd RunUpProblem::slope(const VectorXd& w, const VectorXd& p,
                             const Eigen::MatrixXd& by_internal, double volts, double inertia,
                             double inertia_sd) const {
  MotorShape::Torque torque;
  shape_.torque(p, w[0], volts, 0, torque);
  VectorXd a(w.size());
  a[0] = torque.value / inertia;
  a.tail(w.size() - 1) = torque.by_speed / inertia * w.tail(w.size() - 1);
  a.segment(1, shape_.size()) += by_internal.transpose() * torque.by_p / inertia;
  a[1 + inertia_column()] -= torque.value / (inertia * inertia) * inertia_sd;
  return a;
}

std::vector<Node> RunUpProblem::solve(const VectorXd& u, double inertia_q, double start,
                                      const RunUp& run) const {
  const VectorXd p = shape_.natural(u);
  const Eigen::MatrixXd by_internal = shape_.natural_by_internal(u);
  const double inertia = std::max(run.inertia.mean + run.inertia.sd * inertia_q, 1e-12);
  const auto at = [&](const VectorXd& w, double share) {
    return slope(w, p, by_internal, volts_at(run, share), inertia, run.inertia.sd);
  };
  const Eigen::Index n = shape_.size() + 3;
  VectorXd angle = VectorXd::Zero(n), w = VectorXd::Zero(n);
  w[0] = start;
  w[n - 1] = 1;
  std::vector<Node> nodes;
  nodes.reserve(kSteps + 1);
  const double h = run.length_s / kSteps;
  nodes.push_back({angle, w, at(w, 0)});
  for (int i = 0; i < kSteps; ++i) {
    const double share = static_cast<double>(i) / kSteps, half = (i + 0.5) / kSteps,
                 next = (i + 1.0) / kSteps;
    const VectorXd k1 = at(w, share);
    const VectorXd w2 = w + k1 * (h / 2), k2 = at(w2, half);
    const VectorXd w3 = w + k2 * (h / 2), k3 = at(w3, half);
    const VectorXd w4 = w + k3 * h, k4 = at(w4, next);
    angle += (w + 2 * w2 + 2 * w3 + w4) * (h / 6);
    w += (k1 + 2 * k2 + 2 * k3 + k4) * (h / 6);
    nodes.push_back({angle, w, at(w, next)});
  }
  return nodes;
}

// Quintic Hermite interpolation of the angle; before the stretch the first node's motion goes on.
VectorXd angle_at(const std::vector<Node>& nodes, double length, double t) {
  const double h = length / kSteps;
  const int i = std::clamp(static_cast<int>(t / h), 0, kSteps - 1);
  const Node &a = nodes[static_cast<std::size_t>(i)], &b = nodes[static_cast<std::size_t>(i) + 1];
  const double u = t / h - i;
  const double u2 = u * u, u3 = u2 * u, u4 = u3 * u, u5 = u4 * u;
  return a.angle * (1 - 10 * u3 + 15 * u4 - 6 * u5) + b.angle * (10 * u3 - 15 * u4 + 6 * u5) +
         a.speed * (h * (u - 6 * u3 + 8 * u4 - 3 * u5)) +
         b.speed * (h * (-4 * u3 + 7 * u4 - 3 * u5)) +
         a.acceleration * (h * h * (u2 - 3 * u3 + 3 * u4 - u5) / 2) +
         b.acceleration * (h * h * (u3 - 2 * u4 + u5) / 2);
}

bool RunUpProblem::evaluate(const double* x, double* r, double* jacobian) const {
  const int k = parameters(), size = shape_.size();
  const VectorXd u = Eigen::Map<const VectorXd>(x, size);
  if (jacobian) std::fill(jacobian, jacobian + static_cast<std::ptrdiff_t>(count()) * k, 0.0);
  int at = 0;
  for (std::size_t j = 0; j < runs_.size(); ++j) {
    const RunUp& run = runs_[j];
    const int start = first_start() + static_cast<int>(j);
    const std::vector<Node> nodes = solve(u, x[inertia_column()], x[start], run);
    if (!nodes.back().speed.allFinite() || !nodes.back().angle.allFinite()) return false;
    for (std::size_t i = 0; i < run.speed.size(); ++i, ++at) {
      const double late = run.windows_exact ? 0 : x[age_column()] / run.speed[i];
      const double length = run.end_s[i] - run.start_s[i];
      const VectorXd mean = (angle_at(nodes, run.length_s, run.end_s[i] - late) -
                             angle_at(nodes, run.length_s, run.start_s[i] - late)) /
                            length;
      const double weight = std::sqrt(run.weight[i]) / (run.noise_sd * std::sqrt(run.correlation));
      r[at] = weight * (mean[0] - run.speed[i]);
      if (!jacobian) continue;
      double* line = jacobian + static_cast<std::ptrdiff_t>(at) * k;
      for (int c = 0; c <= size; ++c) line[c] = weight * mean[1 + c];
      line[start] = weight * mean[mean.size() - 1];
      if (run.windows_exact) continue;
      const double h = run.length_s / kSteps;
      const auto node = [&](double t) {
        return nodes[static_cast<std::size_t>(std::clamp(static_cast<int>(t / h), 0, kSteps))]
            .speed[0];
      };
      line[age_column()] = -weight * (node(run.end_s[i] - late) - node(run.start_s[i] - late)) /
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
  r[at] = x[inertia_column()];
  if (jacobian) jacobian[static_cast<std::ptrdiff_t>(at) * k + inertia_column()] = 1;
  ++at;
  r[at] = (x[age_column()] - (with_age_ ? kAge : 0)) / kAgeSd;
  if (jacobian) jacobian[static_cast<std::ptrdiff_t>(at) * k + age_column()] = 1 / kAgeSd;
  return true;
}

double outlier_weight(double size) {
  if (size <= kFullWeight) return 1;
  if (size >= kNoWeight) return 0;
  const double x = (size - kFullWeight) / (kNoWeight - kFullWeight);
  return (1 - x * x) * (1 - x * x);
}

void update_noise(RunUp& run, const std::vector<double>& residuals, double fitted) {
  const double floor = kFloor * run.speed.back();
  const double bulk = std::max(robust_sd(residuals), 3 * floor);
  std::vector<double> weighted(residuals.size());
  double squares = 0, kept = 0;
  for (std::size_t i = 0; i < residuals.size(); ++i) {
    run.weight[i] = outlier_weight(std::fabs(residuals[i]) / bulk);
    weighted[i] = residuals[i] * std::sqrt(run.weight[i]);
    squares += weighted[i] * weighted[i];
    kept += run.weight[i];
  }
  const double own = squares / std::max(1.0, kept - fitted);
  const double factor = std::max(0.5, correlation_factor(weighted, fitted).factor);
  run.noise_sd = std::sqrt(own + floor * floor);
  run.correlation = (own * factor + floor * floor) / (own + floor * floor);
}

SweepScale scale_of(const std::vector<RunUp>& runs) {
  SweepScale scale{0, 0, 0};
  for (const RunUp& run : runs) {
    scale.speed = std::max(scale.speed, run.speed.back());
    const std::size_t reach = std::max<std::size_t>(2, run.speed.size() / 12);
    for (std::size_t i = reach; i < run.speed.size(); ++i) {
      const double dt =
          (run.end_s[i] + run.start_s[i] - run.end_s[i - reach] - run.start_s[i - reach]) / 2;
      scale.torque =
          std::max(scale.torque, run.inertia.mean * (run.speed[i] - run.speed[i - reach]) / dt);
    }
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
    const double weight =
        std::sqrt(std::max(of.weight[i], 1e-12)) / (of.noise_sd * std::sqrt(of.correlation));
    residuals.push_back(r[first + i] / weight);
  }
  return residuals;
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
  fit.runs_z = runs_test_z(fit.residuals.front());
}

}  // namespace

std::optional<RunUp> make_run_up(const Readings& readings, double reference_v) {
  const SpeedTrace& trace = readings.motor;
  const double total =
      readings.run.inertia_kgm2.value_or(0) + readings.run.added_inertia_kgm2.value_or(0);
  if (trace.speed.size() < 14 || !(total > 0)) return std::nullopt;
  RunUp run;
  run.run = readings.run.id;
  run.windows_exact = trace.from_edges;
  run.inertia = {total, readings.run.inertia_sd_kgm2.value_or(1e-6 * total)};
  const double top = *std::max_element(trace.speed.begin(), trace.speed.end());
  // The first two moving windows reach back into standstill; after the top is reached the run goes
  // on for as long again at most.
  std::size_t from = 0, reached = 0;
  while (from < trace.speed.size() && trace.speed[from] < 0.01 * top) ++from;
  from += 2;
  for (reached = from; reached < trace.speed.size() && trace.speed[reached] < 0.98 * top;)
    ++reached;
  const std::size_t until = std::min(trace.speed.size(), 2 * reached - std::min(from, reached));
  if (from + 10 > until) return std::nullopt;
  const double origin = trace.start_s[from];
  for (std::size_t i = from; i < until; ++i) {
    run.start_s.push_back(trace.start_s[i] - origin);
    run.end_s.push_back(trace.end_s[i] - origin);
    run.speed.push_back(trace.speed[i]);
  }
  run.length_s = run.end_s.back();
  run.weight.assign(run.speed.size(), 1.0);
  run.noise_sd = 0.01 * top;
  if (!readings.supply_all_v.empty() && reference_v > 0) {
    for (std::size_t i = 0; i < readings.supply_all_v.size(); ++i) {
      const double t = readings.supply_time_s[i] - origin;
      if (t >= 0 && t <= run.length_s && std::isfinite(readings.supply_all_v[i]))
        run.volts.push_back(readings.supply_all_v[i] / reference_v);
    }
  } else if (std::isfinite(readings.mean_supply_v()) && reference_v > 0) {
    run.volts = {readings.mean_supply_v() / reference_v};
  }
  return run;
}

RunUpFit fit_run_ups(const std::string& model, const std::vector<RunUp>& runs,
                     const std::optional<OwnDrag>& own_drag) {
  RunUpFit fit;
  fit.runs = runs;
  fit.shape = motor_shape(model, scale_of(runs), own_drag);
  const RunUpProblem problem(*fit.shape, fit.runs);
  fit.solution.rss = 1e300;
  std::vector<std::pair<double, VectorXd>> scored;
  VectorXd r(problem.count());
  for (const VectorXd& start : fit.shape->starts()) {
    const VectorXd x = problem.start(start);
    if (problem.evaluate(x.data(), r.data(), nullptr)) scored.emplace_back(r.squaredNorm(), x);
  }
  std::sort(scored.begin(), scored.end(), [](auto& a, auto& b) { return a.first < b.first; });
  for (std::size_t i = 0; i < std::min<std::size_t>(2, scored.size()); ++i) {
    NonlinearFit next = improve(problem, scored[i].second, 40, 1e-5);
    if (next.rss < fit.solution.rss) fit.solution = std::move(next);
  }
  if (!(fit.solution.rss < 1e299)) return fit;
  for (int pass = 0; pass < kPasses; ++pass) {
    std::vector<std::vector<double>> residuals;
    for (std::size_t j = 0; j < fit.runs.size(); ++j) residuals.push_back(plain(problem, fit, j));
    for (std::size_t j = 0; j < fit.runs.size(); ++j) {
      update_noise(fit.runs[j], residuals[j], fit.shape->size());
      if (pass + 1 < kPasses) fit.runs[j].correlation = 1;  // as in sweep_fit.cc
    }
    fit.solution = improve(problem, fit.solution.parameters, 20, 1e-6);
  }
  fit.solution = fit_nonlinear(problem, fit.solution.parameters);
  if (!fit.solution.inverse_normal.allFinite()) return fit;
  finish(fit, problem);
  fit.usable = true;
  return fit;
}

}  // namespace loadline
