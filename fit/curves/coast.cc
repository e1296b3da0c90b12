#include "fit/curves/coast.h"

#include <ceres/jet.h>

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>

#include "db/basis/units.h"
#include "fit/readings/noise.h"

namespace loadline {
namespace {

constexpr int kSteps = 240;        // of the Runge–Kutta solution over a run
constexpr int kRipple = 8;         // amplitudes of the ripple
constexpr double kPlateau = 0.97;  // of the top speed: above it the shaft may still be driven
constexpr double kLowestShare = 0.08;
constexpr double kAge = 0.1, kAgeSd = 0.2;  // rad: tachometers of 5 to 100 pulses, or true means

using Jet = ceres::Jet<double, 7>;  // c0 c1 c2 lnJ rise ωs, start speed

struct Node {
  Jet angle, speed, acceleration;
};

struct CoastParameters {
  Jet c0, c1, c2, inertia, rise, knee;
  bool stribeck = false;
};

Jet acceleration(const CoastParameters& p, const Jet& w) {
  Jet drag = p.c0 + w * (p.c1 + w * p.c2);
  if (p.stribeck) {
    const Jet u = w / p.knee;
    drag += p.rise * exp(-u * u);
  }
  return -drag / p.inertia;
}

// Classical Runge–Kutta of fourth order for speed; the angle rides along.
std::vector<Node> solve(const CoastParameters& p, const Jet& start, double length) {
  std::vector<Node> nodes;
  nodes.reserve(kSteps + 1);
  const double h = length / kSteps;
  Jet angle(0.0), w = start;
  nodes.push_back({angle, w, acceleration(p, w)});
  for (int i = 0; i < kSteps; ++i) {
    const Jet k1 = nodes.back().acceleration;
    const Jet w2 = w + k1 * (h / 2);
    const Jet k2 = acceleration(p, w2);
    const Jet w3 = w + k2 * (h / 2);
    const Jet k3 = acceleration(p, w3);
    const Jet w4 = w + k3 * h;
    const Jet k4 = acceleration(p, w4);
    angle += (w + 2.0 * w2 + 2.0 * w3 + w4) * (h / 6);
    w += (k1 + 2.0 * k2 + 2.0 * k3 + k4) * (h / 6);
    nodes.push_back({angle, w, acceleration(p, w)});
  }
  return nodes;
}

struct Motion {
  Jet angle, speed;
};

// Quintic Hermite interpolation of the angle, cubic of the speed.
Motion motion_at(const std::vector<Node>& nodes, double length, double t) {
  const double h = length / kSteps;
  const int i = std::clamp(static_cast<int>(t / h), 0, kSteps - 1);
  const Node &a = nodes[static_cast<std::size_t>(i)], &b = nodes[static_cast<std::size_t>(i) + 1];
  const double u = t / h - i;
  const double u2 = u * u, u3 = u2 * u, u4 = u3 * u, u5 = u4 * u;
  Motion m;
  m.angle = a.angle * (1 - 10 * u3 + 15 * u4 - 6 * u5) + b.angle * (10 * u3 - 15 * u4 + 6 * u5) +
            a.speed * (h * (u - 6 * u3 + 8 * u4 - 3 * u5)) +
            b.speed * (h * (-4 * u3 + 7 * u4 - 3 * u5)) +
            a.acceleration * (h * h * (u2 - 3 * u3 + 3 * u4 - u5) / 2) +
            b.acceleration * (h * h * (u3 - 2 * u4 + u5) / 2);
  m.speed = a.speed * (1 - 3 * u2 + 2 * u3) + b.speed * (3 * u2 - 2 * u3) +
            a.acceleration * (h * (u - 2 * u2 + u3)) + b.acceleration * (h * (u3 - u2));
  return m;
}

// The ripple's eight shapes at a place: cos and sin of h turns, constant and over ω².
std::array<double, kRipple> ripple_shapes(double angle, double speed, double reference) {
  std::array<double, kRipple> shapes{};
  const double inverse = reference * reference / std::max(speed * speed, 1e-6);
  for (int h = 1; h <= 2; ++h) {
    const std::size_t at = 4 * static_cast<std::size_t>(h - 1);
    shapes[at] = std::cos(h * angle);
    shapes[at + 1] = std::sin(h * angle);
    shapes[at + 2] = shapes[at] * inverse;
    shapes[at + 3] = shapes[at + 1] * inverse;
  }
  return shapes;
}

// First window after the shaft left its top speed for good.
std::size_t release(const std::vector<double>& speed) {
  const double top = *std::max_element(speed.begin(), speed.end());
  std::size_t from = 0;
  for (std::size_t i = 0; i < speed.size(); ++i)
    if (speed[i] >= kPlateau * top) from = i;
  return from;
}

void cut_windows(Coast& coast, const SpeedTrace& trace) {
  const std::size_t from = release(trace.speed);
  const double lowest = kLowestShare * trace.speed[from];
  const double longest = std::max(6 * trace.interval_s, 0.15);
  coast.origin_s = trace.start_s[from];
  for (std::size_t i = from; i < trace.speed.size(); ++i) {
    if (trace.speed[i] < lowest || trace.window_s(i) > longest) break;
    coast.start_s.push_back(trace.start_s[i] - coast.origin_s);
    coast.end_s.push_back(trace.end_s[i] - coast.origin_s);
    coast.speed.push_back(trace.speed[i]);
  }
}

void cut_edges(Coast& coast, const EdgeTrace& edges, double from_s, double to_s) {
  const double turn = 2 * kPi / edges.pulses_per_turn;
  const auto pulses = static_cast<long long>(std::lround(edges.pulses_per_turn));
  std::optional<long long> first;
  for (std::size_t i = 0; i < edges.time_s.size(); ++i) {
    if (edges.time_s[i] < from_s || edges.time_s[i] > to_s) continue;
    if (!first) first = edges.count[i];
    coast.time_s.push_back(edges.time_s[i] - from_s);
    coast.angle.push_back(static_cast<double>(edges.count[i] - *first) * turn);
    coast.slot.push_back(static_cast<int>(((edges.count[i] % pulses) + pulses) % pulses));
  }
  // Each slot must be seen several times before its place can be told from noise.
  if (pulses > 1 && coast.angle.size() > static_cast<std::size_t>(8 * pulses) && pulses <= 120)
    coast.slots = static_cast<int>(pulses);
}

}  // namespace

std::optional<Coast> make_coast(const Readings& readings, bool of_motor) {
  const SpeedTrace& trace =
      of_motor || readings.handwheel.empty() ? readings.motor : readings.handwheel;
  const EdgeTrace& edges =
      of_motor || readings.handwheel.empty() ? readings.motor_edges : readings.handwheel_edges;
  if (trace.speed.size() < 12) return std::nullopt;
  Coast coast;
  coast.run = readings.run.id;
  coast.added_kgm2 = readings.run.added_inertia_kgm2.value_or(0);
  cut_windows(coast, trace);
  if (coast.speed.size() < 12) return std::nullopt;
  coast.speed_high = coast.speed.front();
  coast.speed_low = coast.speed.back();
  coast.length_s = coast.end_s.back();
  coast.windows_exact = trace.from_edges;
  if (!edges.empty() && !edges.recovered) {
    coast.by_edges = true;
    cut_edges(coast, edges, coast.origin_s, coast.origin_s + coast.length_s);
  }
  if (!(coast.speed_low < 0.9 * coast.speed_high)) return std::nullopt;
  coast.weight.assign(coast.size(), 1.0);
  return coast;
}

CoastProblem::CoastProblem(const std::vector<Coast>& coasts, const CoastOptions& options,
                           double unit_inertia, std::optional<Prior> inertia)
    : coasts_(coasts), options_(options), unit_(unit_inertia), inertia_(inertia) {
  bool any_added = false, any_alone = false;
  for (const Coast& coast : coasts_) (coast.added_kgm2 > 0 ? any_added : any_alone) = true;
  bool differing = any_added && any_alone;
  for (const Coast& coast : coasts_)
    differing = differing || coast.added_kgm2 != coasts_.front().added_kgm2;
  inertia_free_ = differing || inertia_.has_value();
  for (const Coast& coast : coasts_)
    with_age_ = with_age_ || (!coast.by_edges && !coast.windows_exact);
  columns_ = common();
  for (const Coast& coast : coasts_) {
    column_of_.push_back(columns_);
    row_of_.push_back(data_rows_);
    columns_ += own_columns(coast);
    data_rows_ += static_cast<int>(coast.size());
  }
  ripple_rows_ = options_.ripple ? kRipple * static_cast<int>(coasts_.size()) : 0;
  rows_ = data_rows_ + 1 + (with_age_ ? 1 : 0) + (options_.stribeck ? 1 : 0) + ripple_rows_;
}

int CoastProblem::own_columns(const Coast& coast) const {
  const int edges = coast.by_edges ? 1 + std::max(0, coast.slots - 1) : 0;
  return 1 + edges + (options_.ripple ? kRipple : 0);
}

void CoastProblem::residuals_of(std::size_t j, const double* x, double scale, double* r,
                                double* jacobian) const {
  const Coast& coast = coasts_[j];
  const int first = column_of_[j];
  CoastParameters p;
  p.c0 = Jet(x[0], 0);
  p.c1 = Jet(x[1], 1);
  p.c2 = Jet(x[2], 2);
  p.inertia = exp(Jet(x[3], 3)) + coast.added_kgm2 / unit_;
  p.stribeck = options_.stribeck;
  if (p.stribeck) {
    p.rise = Jet(x[4], 4);
    p.knee = exp(Jet(x[5], 5));
  }
  const std::vector<Node> nodes = solve(p, Jet(x[first], 6), coast.length_s);
  const int age_at = drag_columns();
  const bool aged = with_age_ && !coast.by_edges && !coast.windows_exact;
  const int ripple_at = first + own_columns(coast) - kRipple;
  const double reference = coast.speed_high;

  // The angle at t with its derivatives: shared ones in `by`, the run's own straight into `line`.
  const auto add_angle = [&](double t, double factor, double* line, double& value) {
    const Motion m = motion_at(nodes, coast.length_s, t);
    value += factor * m.angle.a;
    if (line) {
      for (int c = 0; c < drag_columns(); ++c) line[c] += factor * m.angle.v[c];
      line[first] += factor * m.angle.v[6];
    }
    if (!options_.ripple) return;
    const auto shapes = ripple_shapes(m.angle.a, m.speed.a, reference);
    for (int c = 0; c < kRipple; ++c) {
      value += factor * x[ripple_at + c] * shapes[static_cast<std::size_t>(c)];
      if (line) line[ripple_at + c] += factor * shapes[static_cast<std::size_t>(c)];
    }
  };

  const auto speed_at = [&](double t) { return motion_at(nodes, coast.length_s, t).speed.a; };

  for (std::size_t i = 0; i < coast.size(); ++i) {
    double* line = jacobian ? jacobian + static_cast<std::ptrdiff_t>(i) * columns_ : nullptr;
    const double weight =
        scale > 0 ? scale
                  : std::sqrt(coast.weight[i]) / (coast.noise_sd * std::sqrt(coast.correlation));
    double value = 0;
    if (coast.by_edges) {
      add_angle(coast.time_s[i], 1, line, value);
      value += x[first + 1] - coast.angle[i];
      if (line) line[first + 1] = 1;
      if (coast.slots > 1 && coast.slot[i] > 0) {
        value += x[first + 1 + coast.slot[i]];
        if (line) line[first + 1 + coast.slot[i]] = 1;
      }
    } else {
      const double length = coast.end_s[i] - coast.start_s[i];
      const double late = aged ? x[age_at] / coast.speed[i] : 0;
      add_angle(coast.end_s[i] - late, 1 / length, line, value);
      add_angle(coast.start_s[i] - late, -1 / length, line, value);
      value -= coast.speed[i];
      if (line && aged)
        line[age_at] = -(speed_at(coast.end_s[i] - late) - speed_at(coast.start_s[i] - late)) /
                       (length * coast.speed[i]);
    }
    r[i] = weight * value;
    if (line)
      for (int c = 0; c < columns_; ++c) line[c] *= weight;
  }
}

bool CoastProblem::evaluate(const double* x, double* r, double* jacobian) const {
  if (!(std::fabs(x[3]) < 30)) return false;
  if (jacobian) std::fill(jacobian, jacobian + static_cast<std::ptrdiff_t>(rows_) * columns_, 0.0);
  for (std::size_t j = 0; j < coasts_.size(); ++j)
    residuals_of(
        j, x, 0, r + row_of_[j],
        jacobian ? jacobian + static_cast<std::ptrdiff_t>(row_of_[j]) * columns_ : nullptr);
  // Inertia: what is known, or (when nothing fixes it) held at the unit.
  int at = data_rows_;
  double mean = 0, sd = inertia_free_ ? 3.0 : 1e-9;
  if (inertia_) {
    mean = std::log(inertia_->mean / unit_);
    sd = std::max(1e-7, inertia_->sd / inertia_->mean);
  }
  r[at] = (x[3] - mean) / sd;
  if (jacobian) jacobian[static_cast<std::ptrdiff_t>(at) * columns_ + 3] = 1 / sd;
  ++at;
  if (with_age_) {
    r[at] = (x[drag_columns()] - kAge) / kAgeSd;
    if (jacobian)
      jacobian[static_cast<std::ptrdiff_t>(at) * columns_ + drag_columns()] = 1 / kAgeSd;
    ++at;
  }
  if (options_.stribeck) {  // a knee lies between standstill and a third of the top speed
    const double knee = std::log(0.12 * coasts_.front().speed_high);
    r[at] = (x[5] - knee) / 0.7;
    if (jacobian) jacobian[static_cast<std::ptrdiff_t>(at) * columns_ + 5] = 1 / 0.7;
    ++at;
  }
  // A ripple moves the angle by less than about a radian; this only bites where nothing is seen of
  // it.
  for (std::size_t j = 0; options_.ripple && j < coasts_.size(); ++j)
    for (int c = column_of_[j] + own_columns(coasts_[j]) - kRipple;
         c < column_of_[j] + own_columns(coasts_[j]); ++c, ++at) {
      r[at] = x[c];
      if (jacobian) jacobian[static_cast<std::ptrdiff_t>(at) * columns_ + c] = 1;
    }
  for (int i = 0; i < rows_; ++i)
    if (!std::isfinite(r[i])) return false;
  return true;
}

std::vector<double> CoastProblem::plain_residuals(const Eigen::VectorXd& x, std::size_t j) const {
  std::vector<double> r(coasts_[j].size());
  residuals_of(j, x.data(), 1.0, r.data(), nullptr);
  return r;
}

Eigen::VectorXd CoastProblem::start() const {
  // Decelerations by windows some tenths of the run apart, regressed on 1, ω, ω² for each run.
  std::vector<Eigen::Vector3d> fits;
  for (const Coast& coast : coasts_) {
    const std::size_t n = coast.speed.size();
    const std::size_t reach = std::max<std::size_t>(1, n / 12);
    Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
    Eigen::Vector3d right = Eigen::Vector3d::Zero();
    for (std::size_t i = reach; i + reach < n; ++i) {
      const double dt = (coast.end_s[i + reach] + coast.start_s[i + reach] -
                         coast.end_s[i - reach] - coast.start_s[i - reach]) /
                        2;
      const double u = coast.speed[i] / coast.speed_high;
      const Eigen::Vector3d basis(1, u, u * u);
      normal += basis * basis.transpose();
      right += basis * (coast.speed[i - reach] - coast.speed[i + reach]) / dt;
    }
    normal += 1e-6 * normal.trace() * Eigen::Matrix3d::Identity();
    fits.push_back(normal.ldlt().solve(right));
  }
  Eigen::VectorXd x = Eigen::VectorXd::Zero(columns_);
  if (inertia_) x[3] = std::log(inertia_->mean / unit_);
  // Mean decelerations with and without added inertia give J: a₁/a₂ = (J+D₂)/(J+D₁).
  const auto mean = [](const Eigen::Vector3d& f) { return f[0] + f[1] / 2 + f[2] / 3; };
  for (std::size_t j = 1; j < coasts_.size() && inertia_free_ && !inertia_; ++j) {
    const double d1 = coasts_[0].added_kgm2, d2 = coasts_[j].added_kgm2;
    const double ratio = mean(fits[0]) / mean(fits[j]);
    if (d1 == d2 || !(std::fabs(ratio - 1) > 1e-3)) continue;
    const double inertia = (d2 - ratio * d1) / (ratio - 1);
    if (inertia > 0) x[3] = std::log(inertia / unit_);
    break;
  }
  const double total = std::exp(x[3]) + coasts_[0].added_kgm2 / unit_;
  for (int c = 0; c < 3; ++c) x[c] = fits[0][c] * total / std::pow(coasts_[0].speed_high, c);
  if (options_.stribeck) {
    x[4] = 0.1 * x[0];
    x[5] = std::log(0.12 * coasts_[0].speed_high);
  }
  for (std::size_t j = 0; j < coasts_.size(); ++j) x[column_of_[j]] = coasts_[j].speed_high;
  return x;
}

}  // namespace loadline
