#include "fit/readings/speeds/speed.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <limits>
#include <numeric>
#include <span>

#include "db/basis/units.h"
#include "fit/readings/noise/noise.h"
#include "fit/readings/noise/reading_constants.h"
#include "fit/readings/speeds/holds.h"

namespace loadline {
namespace {

using namespace reading_chosen;

double usual_interval(const SpeedTrace& trace) {
  std::vector<double> lengths;
  for (std::size_t i = 0; i < trace.speed.size(); i += telling_stride(trace.speed.size()))
    lengths.push_back(trace.window_s(i));
  return median(std::move(lengths));
}

void push(SpeedTrace& trace, double start, double end, double speed) {
  trace.start_s.push_back(start);
  trace.end_s.push_back(end);
  trace.speed.push_back(speed);
}

// Hands on the windows that rows of speed stand for, with or without taking repeated values for
// stale ones, and returns how many were stale. The first row's own window is not known, it only
// opens the next; a hold to the end of the run says nothing.
template <typename Take>
std::size_t each_window(std::span<const double> time_s, std::span<const double> rpm, bool skip,
                        const Holds& holds, Take take) {
  double since = 0, held_until = 0, value = 0;
  bool started = false;
  std::size_t stale = 0, held = 0;
  for (std::size_t i = 0; i < rpm.size(); ++i) {
    if (std::isnan(rpm[i])) continue;
    if (started && skip && rpm[i] == value) {
      ++held;
      held_until = time_s[i];
      continue;
    }
    if (held > 0 && holds.is_steady(time_s[i] - since, rpm[i])) {
      // In windows as long as the others, but never in more than there were rows: rows may pause.
      const double pieces = std::clamp(std::round((held_until - since) / holds.usual_s), 1.0,
                                       static_cast<double>(held));
      const double first = since, length = (held_until - since) / pieces;
      for (double piece = 1; piece <= pieces; ++piece) {
        const double until = piece < pieces ? first + piece * length : held_until;
        take(since, until, value);
        since = until;
      }
    } else {
      stale += held;
    }
    if (started) take(since, time_s[i], rpm[i]);
    started = true;
    held = 0;
    since = time_s[i];
    value = rpm[i];
  }
  return stale;
}

// A slow change printed in coarse steps repeats its values too: most of it then goes by one and the
// same step.
bool coarse(std::span<const double> rpm) {
  std::vector<double> steps;
  double last = std::nan("");
  for (const double value : rpm) {
    if (std::isnan(value)) continue;
    if (value != last && !std::isnan(last)) steps.push_back(std::fabs(value - last));
    last = value;
  }
  if (steps.empty()) return true;
  const double least = *std::min_element(steps.begin(), steps.end());
  double small = 0, all = 0;
  for (const double step : steps) {
    all += step;
    if (step < 1.01 * least) small += step;
  }
  return 2 * small >= all;
}

// Joined as they come: a long run need not stand in memory once more.
SpeedTrace joined_rows(std::span<const double> time_s, std::span<const double> rpm, bool skip,
                       const Holds& holds, std::size_t windows, std::size_t block) {
  SpeedTrace trace;
  for (std::vector<double>* column : {&trace.start_s, &trace.end_s, &trace.speed})
    column->reserve(windows / block + 1);
  std::vector<double> lengths;
  std::size_t seen = 0;
  double start = 0, angle = 0, time = 0;
  each_window(time_s, rpm, skip, holds, [&](double since, double until, double value) {
    const double speed = rad_per_s_from_rpm(value), length = until - since;
    if (seen % telling_stride(windows) == 0) lengths.push_back(length);
    if (seen % block == 0) {
      start = since;
      angle = time = 0;
    }
    ++seen;
    angle += speed * length;
    time += length;
    if (block == 1)
      push(trace, since, until, speed);
    else if ((seen % block == 0 || seen == windows) && time > 0)
      push(trace, start, until, angle / time);
  });
  trace.interval_s = median(std::move(lengths)) * static_cast<double>(block);
  return trace;
}

}  // namespace

SpeedTrace speed_from_rows(std::span<const double> time_s, std::span<const double> rpm,
                           std::size_t most, bool as_read) {
  bool skip = !as_read;
  const Holds holds = Holds::in(time_s, rpm);
  std::size_t windows = 0;
  const auto count = [&](double, double, double) { ++windows; };
  const std::size_t stale = each_window(time_s, rpm, skip, holds, count);
  if (windows < 3 || (stale > 3 * windows && coarse(rpm))) {
    skip = false;
    windows = 0;
    each_window(time_s, rpm, skip, holds, count);
  }
  return joined_rows(time_s, rpm, skip, holds, windows, block_for(windows, most));
}

SpeedTrace speed_from_edges(const EdgeTrace& edges, double least_window_s) {
  SpeedTrace trace;
  trace.from_edges = true;
  const double turn = 2 * kPi / edges.pulses_per_turn;
  std::size_t from = 0;
  for (std::size_t i = 1; i < edges.time_s.size(); ++i) {
    const double length = edges.time_s[i] - edges.time_s[from];
    if (length < least_window_s || edges.count[i] == edges.count[from]) continue;
    const auto pulses = static_cast<double>(edges.count[i] - edges.count[from]);
    push(trace, edges.time_s[from], edges.time_s[i], pulses * turn / length);
    from = i;
  }
  trace.interval_s = usual_interval(trace);
  return trace;
}

namespace {

// A spike is far from the middle of its neighbours: against how far values are as a rule, against
// most of these neighbours, and against the speed, for a pulse of up to some dozen in a row.
constexpr std::size_t kNeighbours = 3;  // on either side

struct Apart {
  double by = 0, of_most = 0;  ///< of the value itself, and of most of its neighbours
};
Apart apart(const std::vector<double>& v, std::size_t i) {
  const std::vector<double> near(v.begin() + static_cast<std::ptrdiff_t>(i - kNeighbours),
                                 v.begin() + static_cast<std::ptrdiff_t>(i + kNeighbours + 1));
  const double middle = median(near);
  std::vector<double> away;
  away.reserve(near.size());
  for (const double other : near) away.push_back(std::fabs(other - middle));
  std::sort(away.begin(), away.end());
  return {std::fabs(v[i] - middle), away[kNeighbours + 1]};
}

}  // namespace

std::size_t drop_spikes(SpeedTrace& trace) {
  const std::size_t n = trace.speed.size();
  if (n < 4 * kNeighbours) return 0;
  std::vector<Apart> all(n);
  std::vector<double> usual;
  usual.reserve(n);
  for (std::size_t i = kNeighbours; i + kNeighbours < n; ++i) {
    all[i] = apart(trace.speed, i);
    usual.push_back(all[i].by);
  }
  // On a slope the value itself is the middle one, however it scatters; half of values scatter by
  // less than 0.6745 standard deviations.
  const auto looked_at = std::span(trace.speed).subspan(kNeighbours - 1, n - 2 * kNeighbours + 2);
  const double least =
      kSpike * std::max(median(std::move(usual)), 0.6745 * scatter_along(looked_at));
  std::vector<bool> spike(n, false);
  for (std::size_t i = kNeighbours; i + kNeighbours < n; ++i)
    spike[i] = all[i].by >
               std::max({least, kLeastSpike * trace.speed[i], kBeyondNeighbours * all[i].of_most});
  std::size_t kept = 0;
  for (std::size_t i = 0; i < n; ++i) {
    if (spike[i]) continue;
    trace.start_s[kept] = trace.start_s[i];
    trace.end_s[kept] = trace.end_s[i];
    trace.speed[kept] = trace.speed[i];
    ++kept;
  }
  for (std::vector<double>* column : {&trace.start_s, &trace.end_s, &trace.speed})
    column->resize(kept);
  return n - kept;
}

SmoothSpeed::SmoothSpeed(SpeedTrace trace, double half_width_s) : trace_(std::move(trace)) {
  const std::size_t n = trace_.speed.size();
  if (n < 8) return;
  half_width_s_ = half_width_s > 0 ? half_width_s : choose_half_width();
  std::vector<double> away;
  const std::size_t step = std::max<std::size_t>(1, n / 4000);
  for (std::size_t i = 0; i < n; i += step) {
    Value local;
    if (local_fit(trace_.middle_s(i), half_width_s_, n, {}, local))
      away.push_back(trace_.speed[i] - local.speed);
  }
  scatter_ = robust_sd(away);
  find_kinks();
}

namespace {

// Sums over windows that give the slope of a straight line through any stretch of them.
class Slopes {
 public:
  explicit Slopes(const SpeedTrace& trace) : sums_(trace.speed.size() + 1) {
    origin_s_ = trace.start_s.front();
    for (std::size_t i = 0; i < trace.speed.size(); ++i) {
      const double t = trace.middle_s(i) - origin_s_, v = trace.speed[i];
      const Sums& s = sums_[i];
      sums_[i + 1] = {s.t + t, s.v + v, s.tt + t * t, s.tv + t * v};
    }
  }
  // Of the windows [from, to), at least two.
  double of(std::size_t from, std::size_t to) const {
    const Sums &a = sums_[from], &b = sums_[to];
    const auto n = static_cast<double>(to - from);
    const double t = b.t - a.t, v = b.v - a.v;
    return (b.tv - a.tv - t * v / n) / (b.tt - a.tt - t * t / n);
  }

 private:
  struct Sums {
    double t = 0, v = 0, tt = 0, tv = 0;
  };
  std::vector<Sums> sums_;
  double origin_s_ = 0;
};

// A kink is a lowest speed that is turned about at once: the slope jumps so many times further than
// half of all jumps, and the parabola through it, which misses its tip by about an eighth of jump ×
// half width, misses by much more than single values scatter, for one side alone determines a speed
// less well than both. Switching on and off makes corners too; what the cell says right behind
// these is no steady torque, and it is well that they are rounded.
constexpr double kMissedTip = 0.125;
}  // namespace

void SmoothSpeed::find_kinks() {
  const std::size_t n = trace_.speed.size();
  const Slopes slopes(trace_);
  std::vector<double> turns(n, 0.0), jumps;
  std::size_t from = 0, to = 0;
  for (std::size_t i = 1; i < n; ++i) {  // between windows i - 1 and i
    const double here = trace_.start_s[i];
    while (trace_.middle_s(from) < here - half_width_s_) ++from;
    while (to < n && trace_.middle_s(to) <= here + half_width_s_) ++to;
    if (i - from < 3 || to - i < 3) continue;
    const double before = slopes.of(from, i), after = slopes.of(i, to);
    if (before < 0 && after > 0) turns[i] = after - before;
    jumps.push_back(std::fabs(after - before));
  }
  const double usual = std::max(kKinkJump * median(std::move(jumps)),
                                kClearOfScatter * scatter_ / (kMissedTip * half_width_s_));
  for (std::size_t i = 1; i < n; ++i) {
    if (turns[i] <= usual) continue;
    std::size_t tip = i;
    for (; i < n && turns[i] > usual; ++i)
      if (turns[i] > turns[tip]) tip = i;
    kinks_s_.push_back(trace_.start_s[tip]);
  }
}

double SmoothSpeed::choose_half_width() const {
  // Times that are all one give no width at all, and the search below must end on any times.
  const double span = trace_.end_s.back() - trace_.start_s.front();
  const double least = std::max(3.2 * trace_.interval_s, 1e-9 * span);
  const double most = std::max(least, span / 6);
  if (!(least > 0)) return 0;
  std::vector<std::pair<double, double>> scores;  // half width, score
  for (double h = least; h <= most; h *= 1.5) scores.emplace_back(h, cross_validation(h));
  double best = scores.front().second;
  for (const auto& [h, score] : scores) best = std::min(best, score);
  double chosen = least;
  for (const auto& [h, score] : scores)
    if (score <= 1.05 * best) chosen = h;  // the widest that is nearly as good
  return chosen;
}

bool SmoothSpeed::local_fit(double time_s, double half_width, std::size_t left_out,
                            const Smooth& within, Value& out) const {
  const auto first =
      std::lower_bound(trace_.end_s.begin(), trace_.end_s.end(), time_s - half_width);
  // The normal equations, the upper triangle of the symmetric ones: this loop is most of the work.
  double n00 = 0, n01 = 0, n02 = 0, n11 = 0, n12 = 0, n22 = 0, r0 = 0, r1 = 0, r2 = 0;
  int used = 0;
  double low = 1, high = -1;
  out.width_s = 0;
  for (auto i = static_cast<std::size_t>(first - trace_.end_s.begin()); i < trace_.speed.size();
       ++i) {
    if (trace_.start_s[i] > time_s + half_width || trace_.end_s[i] > within.to_s) break;
    if (trace_.start_s[i] < within.from_s) continue;
    const double x = (trace_.middle_s(i) - time_s) / half_width;
    if (i == left_out || std::fabs(x) >= 1) continue;
    const double w = trace_.window_s(i) / half_width;
    const double tent = 1 - x * x;
    const double weight = tent * tent;
    // Mean of 1, u, u² over the window centred at x with width w.
    const double square = x * x + w * w / 12;
    const double linear = weight * x, quadratic = weight * square;
    n00 += weight;
    n01 += linear;
    n02 += quadratic;
    n11 += linear * x;
    n12 += linear * square;
    n22 += quadratic * square;
    r0 += weight * trace_.speed[i];
    r1 += linear * trace_.speed[i];
    r2 += quadratic * trace_.speed[i];
    out.width_s = std::max(out.width_s, trace_.window_s(i));
    low = std::min(low, x);
    high = std::max(high, x);
    ++used;
  }
  // Values on both sides; beside a kink at least none beyond the last of them.
  const double left = within.from_s > time_s - half_width ? 0 : -0.15;
  const double right = within.to_s < time_s + half_width ? 0 : 0.15;
  if (used < 6 || low > left || high < right) return false;
  Eigen::Matrix3d normal;
  normal << n00, n01, n02, n01, n11, n12, n02, n12, n22;
  const Eigen::LDLT<Eigen::Matrix3d> solver(normal);
  if (solver.info() != Eigen::Success || solver.rcond() < 1e-9) return false;
  const Eigen::Vector3d beta = solver.solve(Eigen::Vector3d(r0, r1, r2));
  out.speed = beta[0];
  out.acceleration = beta[1] / half_width;
  out.valid = true;
  return true;
}

double SmoothSpeed::cross_validation(double half_width) const {
  const std::size_t n = trace_.speed.size();
  const std::size_t step = std::max<std::size_t>(1, n / 600);
  std::vector<double> squares;
  for (std::size_t i = step; i + step < n; i += step) {
    Value local;
    if (!local_fit(trace_.middle_s(i), half_width, i, {}, local)) continue;
    const double away = trace_.speed[i] - local.speed;
    squares.push_back(away * away);
  }
  if (squares.size() < 5) return 1e300;
  std::sort(squares.begin(), squares.end());
  // The largest 2 % belong to steps and knocks, which no width would follow.
  squares.resize(squares.size() - squares.size() / 50);
  return std::accumulate(squares.begin(), squares.end(), 0.0) / static_cast<double>(squares.size());
}

// The kink lies somewhere in the windows at its place: one on either side belongs to neither.
SmoothSpeed::Smooth SmoothSpeed::about(double time_s) const {
  Smooth within;
  const auto next = std::upper_bound(kinks_s_.begin(), kinks_s_.end(), time_s);
  if (next != kinks_s_.end()) within.to_s = *next - trace_.interval_s / 2;
  if (next != kinks_s_.begin()) within.from_s = *std::prev(next) + trace_.interval_s / 2;
  return within;
}

SmoothSpeed::Value SmoothSpeed::at(double time_s) const {
  Value value;
  if (half_width_s_ <= 0) return value;
  const Smooth within = about(time_s);
  // Where edges are rare the kernel widens until it sees enough of them.
  for (const double widening : {1.0, 1.6, 2.5, 4.0})
    if (local_fit(time_s, widening * half_width_s_, trace_.speed.size(), within, value))
      return value;
  value.valid = false;
  return value;
}

}  // namespace loadline
