#include "fit/readings/noise/row_noise.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "db/basis/units.h"

namespace loadline {

Whitener::Whitener(const RowSeries& series, const RowNoise& noise) {
  const std::size_t n = series.size();
  steps_.resize(n);
  inverse_sd_.resize(n);
  // The state before a value is seen: error of this window's end, of the last one's, the wander;
  // its covariance, upper triangle.
  const double ee = noise.angle * noise.angle, uu = noise.wander * noise.wander;
  double p00 = ee, p01 = 0, p02 = 0, p11 = ee, p12 = 0, p22 = uu;
  // One logarithm for many variances: it is most of the work otherwise.
  constexpr double kSmall = 1e-100, kLarge = 1e100;
  double product = 1;
  for (std::size_t i = 0; i < n; ++i) {
    const double h = 1 / series.window_s[i];
    const double share = noise.relative * series.speed[i];
    const double timing = noise.timing * series.timing_of(i);
    const double own = noise.constant * noise.constant + share * share + timing * timing;
    // Covariance of the state with the value, and the value's own variance.
    const double s0 = h * (p00 - p01) + p02, s1 = h * (p01 - p11) + p12, s2 = h * (p02 - p12) + p22;
    const double variance = h * (s0 - s1) + s2 + own;
    Step& step = steps_[i];
    step.inverse_window = h;
    step.fade = uu > 0 && i + 1 < n
                    ? std::exp(-(series.time_s[i + 1] - series.time_s[i]) / noise.memory_s)
                    : 0;
    if (series.weight[i] > 0.5 && variance > 0) {
      inverse_sd_[i] = 1 / std::sqrt(variance);
      product *= variance;
      if (!(product > kSmall && product < kLarge)) {
        log_determinant_ += std::log(product);
        product = 1;
      }
      counted_ += 1;
      step.to_e = s0 / variance;
      step.to_old = s1 / variance;
      step.to_u = s2 / variance;
      p00 -= s0 * step.to_e;
      p02 -= s0 * step.to_u;
      p22 -= s2 * step.to_u;
    } else {
      inverse_sd_[i] = 0;
      step.to_e = step.to_old = step.to_u = 0;
    }
    // On to the next value: this end becomes the last one, the new end is unknown, u fades.
    const double f = step.fade;
    p11 = p00;
    p12 = f * p02;
    p22 = f * f * p22 + (1 - f * f) * uu;
    p00 = ee;
    p01 = 0;
    p02 = 0;
  }
  log_determinant_ += std::log(product);
}

void Whitener::apply(double* values, std::ptrdiff_t stride) const {
  double e = 0, old = 0, u = 0;
  for (std::size_t i = 0; i < steps_.size(); ++i, values += stride) {
    const Step& step = steps_[i];
    const double away = *values - (step.inverse_window * (e - old) + u);
    *values = inverse_sd_[i] * away;
    old = e + step.to_e * away;
    u = step.fade * (u + step.to_u * away);
    e = 0;
  }
}

namespace {

struct Likelihood {
  double deviance = 0;    // −2 ln L
  double restricted = 0;  // what allows for the fitted parameters
};

Likelihood likelihood(const std::vector<JudgedSeries>& all, const RowNoise& noise,
                      bool restricted) {
  Likelihood result;
  const Eigen::Index k = restricted ? all.front().derivatives.cols() : 0;
  Eigen::MatrixXd normal = Eigen::MatrixXd::Zero(k, k);
  Eigen::VectorXd right = Eigen::VectorXd::Zero(k);
  for (const JudgedSeries& one : all) {
    const Whitener whitener(*one.series, noise);
    Eigen::VectorXd r = Eigen::Map<const Eigen::VectorXd>(
        one.residuals.data(), static_cast<Eigen::Index>(one.residuals.size()));
    whitener.apply(r.data(), 1);
    result.deviance +=
        whitener.log_determinant() + r.squaredNorm() + whitener.counted() * std::log(2 * kPi);
    if (k == 0) continue;
    Eigen::MatrixXd x = one.derivatives;
    for (Eigen::Index c = 0; c < k; ++c) whitener.apply(x.col(c).data(), 1);
    normal.noalias() += x.transpose() * x;
    right.noalias() += x.transpose() * r;
  }
  if (k == 0) return result;
  normal.diagonal() += 1e-12 * normal.diagonal();
  const Eigen::LDLT<Eigen::MatrixXd> solver(normal);
  double log_determinant = 0;
  for (const double d : solver.vectorD()) log_determinant += std::log(std::max(d, 1e-300));
  result.restricted = log_determinant - right.dot(solver.solve(right));
  return result;
}

using Point = std::vector<double>;  // constant, relative, angle; timing; wander, memory

// Sizes and memory by their logarithms, within what the series can tell.
struct Ranges {
  double least, least_constant, most;  // of the sizes, in the unit of the values
  double window_s;                     // makes an angle of a size
  double least_s, most_s;              // of the memory
  bool with_timing, with_wander;
  double least_angle;  // of an end of a window
  static constexpr double kLeastTiming = 0.01, kMostTiming = 1.5;

  struct Range {
    double least, most;
  };
  Range range(std::size_t i) const {
    if (i == 3 && with_timing) return {kLeastTiming, kMostTiming};
    return i == count() - 1 && with_wander ? Range{least_s, most_s} : Range{least, most};
  }
  std::size_t count() const { return 3 + (with_timing ? 1U : 0U) + (with_wander ? 2U : 0U); }
  RowNoise noise(const Point& at) const {
    const auto size = [&](std::size_t i) {
      return std::clamp(std::exp(at[i]), range(i).least, range(i).most);
    };
    RowNoise n;
    n.constant = std::max(least_constant, size(0));
    n.relative = size(1);
    n.angle = std::max(least_angle, size(2) * window_s);
    std::size_t i = 3;
    if (with_timing) n.timing = size(i++);
    if (!with_wander) return n;
    n.wander = size(i++);
    n.memory_s = size(i);
    return n;
  }
  Point point(const RowNoise& n) const {
    Point p = {n.constant, n.relative, n.angle / window_s};
    if (with_timing) p.push_back(n.timing);
    if (with_wander) p.insert(p.end(), {n.wander, n.memory_s});
    for (std::size_t i = 0; i < p.size(); ++i)
      p[i] = std::log(std::clamp(p[i], range(i).least, range(i).most));
    return p;
  }
  // Keeps a search from straying where nothing changes any more.
  double beyond(const Point& at) const {
    double sum = 0;
    for (std::size_t i = 0; i < at.size(); ++i)
      sum += std::max(0.0, std::log(range(i).least) - at[i]) +
             std::max(0.0, at[i] - std::log(range(i).most));
    return sum;
  }
};

// Nelder and Mead, The Computer Journal 7 (1965) 308: five numbers, no derivatives.
template <typename F>
std::pair<double, Point> simplex_search(const F& cost, const Point& start, double reach,
                                        int evaluations) {
  const std::size_t n = start.size();
  std::vector<std::pair<double, Point>> simplex(n + 1);
  simplex[0] = {cost(start), start};
  for (std::size_t i = 0; i < n; ++i) {
    Point at = start;
    at[i] += reach;
    simplex[i + 1] = {cost(at), at};
  }
  const auto by_cost = [](const auto& a, const auto& b) { return a.first < b.first; };
  int used = static_cast<int>(n) + 1;
  while (used < evaluations) {
    std::sort(simplex.begin(), simplex.end(), by_cost);
    if (simplex[n].first - simplex[0].first < 0.1) break;  // of −2 ln L: far below what matters
    Point centre(n, 0.0);
    for (std::size_t i = 0; i < n; ++i)
      for (std::size_t c = 0; c < n; ++c)
        centre[c] += simplex[i].second[c] / static_cast<double>(n);
    const auto towards = [&](double factor) {
      Point at(n);
      for (std::size_t c = 0; c < n; ++c)
        at[c] = centre[c] + factor * (simplex[n].second[c] - centre[c]);
      ++used;
      return std::pair{cost(at), at};
    };
    auto reflected = towards(-1);
    if (reflected.first < simplex[0].first) {
      auto further = towards(-2);
      simplex[n] = further.first < reflected.first ? further : reflected;
    } else if (reflected.first < simplex[n - 1].first) {
      simplex[n] = reflected;
    } else {
      auto nearer = towards(reflected.first < simplex[n].first ? -0.5 : 0.5);
      if (nearer.first < std::min(reflected.first, simplex[n].first)) {
        simplex[n] = nearer;
      } else {
        for (std::size_t i = 1; i <= n; ++i) {
          for (std::size_t c = 0; c < n; ++c)
            simplex[i].second[c] = (simplex[i].second[c] + simplex[0].second[c]) / 2;
          simplex[i].first = cost(simplex[i].second);
          ++used;
        }
      }
    }
  }
  return *std::min_element(simplex.begin(), simplex.end(), by_cost);
}

constexpr int kEvaluations = 160, kEvaluationsAgain = 60;
constexpr double kSlowReach = -0.7;
constexpr double kAboutAsLikely = 2;  // of −2 ln L: what one parameter must be worth (AIC)

}  // namespace

double value_sd(const RowNoise& noise, const RowSeries& series, std::size_t i) {
  const double share = noise.relative * series.speed[i], angle = noise.angle / series.window_s[i],
               timing = noise.timing * series.timing_of(i);
  return std::sqrt(noise.constant * noise.constant + share * share + timing * timing +
                   2 * angle * angle + noise.wander * noise.wander);
}

RowNoise judge_noise(const std::vector<JudgedSeries>& series, const RowNoise& start, double floor,
                     double longest_memory, double least_independent, double least_angle) {
  double squares = 0, count = 0, window = 0, step = 1e300, span = 0;
  for (const JudgedSeries& one : series) {
    for (std::size_t i = 0; i < one.residuals.size(); ++i) {
      if (one.series->weight[i] < 0.5) continue;
      squares += one.residuals[i] * one.residuals[i];
      window += one.series->window_s[i];
      count += 1;
    }
    const double length = one.series->time_s.back() - one.series->time_s.front();
    span = std::max(span, length);
    step = std::min(step, length / static_cast<double>(one.series->size() - 1));
  }
  if (count < 4) return start;
  const double rms = std::max(floor, std::sqrt(squares / count));
  const bool with_wander = longest_memory > 0;
  const bool with_timing = std::any_of(series.begin(), series.end(), [](const JudgedSeries& one) {
    return !one.series->timing.empty();
  });
  const Ranges ranges{floor,
                      least_independent * rms,
                      std::max(10 * rms, 2 * floor),
                      window / count,
                      2 * step,
                      std::max(4 * step, longest_memory * span),
                      with_timing,
                      with_wander,
                      least_angle};
  const auto cost = [&](const Point& at) {
    const Likelihood l = likelihood(series, ranges.noise(at), true);
    return l.deviance + l.restricted + 4 * ranges.beyond(at);
  };
  const bool begun = start.constant > 0 && !with_wander;
  RowNoise first = start;
  if (!(first.constant > 0)) first = {rms / 2, rms / 2, rms * ranges.window_s / 4};
  if (with_wander && !(first.wander > 0)) {
    first.wander = rms / 4;
    first.memory_s = 8 * step;
  }
  if (!(first.timing > 0)) first.timing = 0.3;
  auto found = simplex_search(cost, ranges.point(first), begun ? -0.5 : -1.5,
                              begun ? kEvaluationsAgain : kEvaluations);
  if (!with_wander) return ranges.noise(found.second);
  // What wanders all along a run is hardly less likely when it is taken for something shorter, but
  // leaves more open: it counts where it is about as likely. From short memories it is not found.
  RowNoise slow = ranges.noise(found.second);
  slow.wander = rms / 2;
  slow.memory_s = ranges.most_s / 2;
  auto other = simplex_search(cost, ranges.point(slow), kSlowReach, kEvaluations);
  if (other.first < found.first + kAboutAsLikely) found = std::move(other);
  return ranges.noise(found.second);
}

double deviance(const std::vector<JudgedSeries>& series, const RowNoise& noise) {
  return likelihood(series, noise, false).deviance;
}

double share_of_independent(const RowNoise& noise, double interval_s) {
  const double own = noise.constant * noise.constant + noise.relative * noise.relative / 3;
  const double wander = noise.wander * noise.wander;
  if (!(own + wander > 0)) return 1;
  const double at_zero = own + wander * std::max(1.0, 2 * noise.memory_s / interval_s);
  return std::min(1.0, (own + wander) / at_zero);
}

}  // namespace loadline
