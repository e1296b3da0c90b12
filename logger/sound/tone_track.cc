#include "logger/sound/tone_track.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <complex>
#include <limits>
#include <optional>
#include <unsupported/Eigen/FFT>

#include <fmt/format.h>

#include "db/basis/estimate.h"
#include "db/basis/median.h"
#include "db/basis/units.h"
#include "logger/sound/hum.h"

namespace loadline {
namespace {

using Complex = std::complex<double>;

constexpr double kWorkRate = 4000;  // samples a second hold the harmonics that count
constexpr double kHumPiece_s = 20;
constexpr double kTurnsInFrame = 7;
constexpr double kShortestFrame_s = 0.15, kLongestFrame_s = 0.6;
constexpr int kHops = 6;  // of a frame's length
constexpr std::size_t kTransform = 8192;
// Lower speeds in longer frames, so that their harmonics keep apart: from these shares of the top.
constexpr std::array kLonger = {1.0, 0.55, 0.3};
constexpr std::array kLengths = {1.0, 1.8, 3.3};
constexpr int kMostHarmonics = 24;
constexpr double kHighestShare = 0.42;      // of the work rate
constexpr double kLow = 0.15, kHigh = 1.3;  // of the stated top speed
constexpr double kGrid = 0.008;             // of ln speed
// Relative changes of speed within a frame that are tried, 1/s.
constexpr std::array kRates = {-5.0, -3.6, -2.6, -1.8, -1.2, -0.7, -0.3, 0.0, 0.3, 0.8, 1.6, 3.0};
constexpr double kSwitch = 10;     // cost of losing or finding the shaft
constexpr double kChange = 1;      // of each step aside
constexpr double kSilent = 4.5;    // robust standard deviations: what a frame without it gives
constexpr double kCertain = 6;     // of a course's first and last frame
constexpr double kStopped = 0.09;  // square of the share of the speed
constexpr double kMostLevel = 4;   // of ln(power over noise): one loud line is not a shaft
// Ratios at which harmonics fall on harmonics, within what is stated of the top speed.
constexpr std::array kRivals = {3.0 / 4, 4.0 / 5, 5.0 / 6, 6.0 / 7, 7.0 / 8,
                                8.0 / 7, 7.0 / 6, 6.0 / 5, 5.0 / 4, 4.0 / 3};
constexpr double kNearlyAsWell = 0.8;
constexpr double kStated = 0.25;  // the top speed is known to this share
constexpr std::size_t kLeastFrames = 6, kLeastWindows = 3;
constexpr int kAngles = 128;  // samples a turn
constexpr double kWindowTurns = 3, kHopTurns = 0.25;

struct Signal {
  std::vector<double> x;
  double rate = 1;
  double at(double n) const {  // cubic through four neighbours
    if (!(n > 1 && n < static_cast<double>(x.size()) - 3)) return 0;
    const auto i = static_cast<std::ptrdiff_t>(n);
    const double u = n - static_cast<double>(i);
    const double a = x[i - 1], b = x[i], c = x[i + 1], d = x[i + 2];
    return b + 0.5 * u * (c - a + u * (2 * a - 5 * b + 4 * c - d + u * (3 * (b - c) + d - a)));
  }
};

Signal worked(std::vector<float> x, double rate) {
  const auto block = static_cast<std::size_t>(std::max(1.0, std::floor(rate / kWorkRate)));
  Signal signal;
  signal.rate = rate / static_cast<double>(block);
  std::vector<float> coarse(x.size() / block, 0.0F);
  for (std::size_t i = 0; i < coarse.size(); ++i)
    for (std::size_t k = 0; k < block; ++k)
      coarse[i] += x[i * block + k] / static_cast<float>(block);
  const auto piece = static_cast<std::size_t>(kHumPiece_s * signal.rate);
  for (std::size_t from = 0; from < coarse.size(); from += piece) {
    const std::size_t size = std::min(piece, coarse.size() - from);
    const std::vector<float> clean =
        without_hum(std::span(coarse).subspan(from, size), signal.rate);
    signal.x.insert(signal.x.end(), clean.begin(), clean.end());
  }
  return signal;
}

// ---- the first course ------------------------------------------------------------------------

struct Point {
  double time_s = 0, hz = 0;  // turns a second
  double score = 0;           // robust standard deviations over all other speeds
  std::size_t frame = 0, rate = 0;
};

class Frames {
 public:
  Frames(const Signal& signal, double top_hz) : signal_(signal), top_hz_(top_hz) {
    length_s_ = std::clamp(kTurnsInFrame / top_hz, kShortestFrame_s, kLongestFrame_s);
    hop_s_ = length_s_ / kHops;
    for (double ln = std::log(kLow * top_hz); ln < std::log(kHigh * top_hz); ln += kGrid)
      speeds_.push_back(std::exp(ln));
  }

  std::vector<Point> best_course() {
    const double whole_s = static_cast<double>(signal_.x.size()) / signal_.rate;
    const auto count = static_cast<std::size_t>(std::max(0.0, (whole_s - length_s_) / hop_s_));
    std::vector<std::vector<Back>> back(count);
    scores_.clear();
    std::vector<double> cost(states(), std::numeric_limits<double>::infinity());
    double off = 0;
    for (std::size_t k = 0; k < count; ++k) {
      score_frame(length_s_ / 2 + hop_s_ * static_cast<double>(k));
      scores_.emplace_back(score_.begin(), score_.end());
      advance(cost, off, back[k]);
    }
    return count == 0 ? std::vector<Point>{} : trace(cost, off, back);
  }

  // Another speed whose harmonics are those of the course nearly as well; 0 where there is none.
  double rival_of(const std::vector<Point>& course) const {
    for (const double ratio : kRivals) {
      const auto aside = static_cast<std::ptrdiff_t>(std::lround(std::log(ratio) / kGrid));
      double own = 0, other = 0;
      for (const Point& point : course) {
        const auto f =
            static_cast<std::ptrdiff_t>(std::lround(std::log(point.hz / speeds_[0]) / kGrid));
        if (f + aside < 0 || f + aside >= static_cast<std::ptrdiff_t>(speeds_.size())) continue;
        const auto at = static_cast<std::size_t>(f + aside) * kRates.size() + point.rate;
        own += point.score;
        other += scores_[point.frame][at] + kSilent;
      }
      if (own > 0 && other > kNearlyAsWell * own) return ratio * fastest(course);
    }
    return 0;
  }

  static double fastest(const std::vector<Point>& course) {
    double most = 0;
    for (const Point& point : course) most = std::max(most, point.hz);
    return most;
  }

 private:
  struct Back {
    std::int32_t from = -2;  // state before; -1: silence
  };
  std::size_t states() const { return speeds_.size() * kRates.size() + 1; }

  void score_frame(double middle_s) {
    score_.assign(states(), 0.0);
    for (std::size_t r = 0; r < kRates.size(); ++r) {
      for (std::size_t l = 0; l < kLengths.size(); ++l)
        transform(middle_s, kRates[r], kLengths[l] * length_s_, level_[l]);
      for (std::size_t f = 0; f < speeds_.size(); ++f)
        score_[f * kRates.size() + r] = comb(speeds_[f]);
    }
    std::vector<double> all(score_.begin(), score_.end() - 1);
    const auto middle = all.begin() + static_cast<std::ptrdiff_t>(all.size() / 2);
    std::nth_element(all.begin(), middle, all.end());
    const double centre = *middle;
    for (double& value : all) value = std::fabs(value - centre);
    std::nth_element(all.begin(), middle, all.end());
    const double sd = std::max(kSdOfMedian * *middle, 1e-9);
    for (double& value : score_) value = (value - centre) / sd - kSilent;
  }

  // ln of power over noise of a frame as it would be if the speed had stayed as in its middle.
  void transform(double middle_s, double rate, double length_s, std::vector<double>& level) {
    const double n = length_s * signal_.rate;
    const auto size = static_cast<std::size_t>(n);
    std::vector<double> frame(kTransform, 0.0);
    for (std::size_t i = 0; i < size && i < kTransform; ++i) {
      const double u = (static_cast<double>(i) + 0.5 - n / 2) / signal_.rate;  // warped time, s
      const double square = 1 + 2 * rate * u;
      if (square < kStopped) continue;  // it would have stopped by then
      const double t = rate == 0 ? u : (std::sqrt(square) - 1) / rate;
      const double window = 0.5 + 0.5 * std::cos(2 * kPi * u / length_s);
      frame[i] = window * signal_.at((middle_s + t) * signal_.rate);
    }
    fft_.fwd(spectrum_, frame);
    level.resize(kTransform / 2);
    for (std::size_t b = 0; b < level.size(); ++b)
      level[b] = std::log(std::norm(spectrum_[b]) + 1e-30);
    // The floor under the lines about a place: the lower quarter of some turns' frequencies.
    const double bin_hz = signal_.rate / kTransform;
    const auto reach = static_cast<std::size_t>(3 * top_hz_ / bin_hz);
    const std::size_t step = std::max<std::size_t>(1, reach / 2);
    std::vector<double> near;
    std::vector<double> floors;
    for (std::size_t b = 0; b < level.size() + step; b += step) {
      const std::size_t at = std::min(b, level.size() - 1);
      const std::size_t from = at > reach ? at - reach : 0, to = std::min(level.size(), at + reach);
      near.assign(level.begin() + static_cast<std::ptrdiff_t>(from),
                  level.begin() + static_cast<std::ptrdiff_t>(to));
      const auto quarter = near.begin() + static_cast<std::ptrdiff_t>(near.size() / 4);
      std::nth_element(near.begin(), quarter, near.end());
      floors.push_back(*quarter);
    }
    for (std::size_t b = 0; b < level.size(); ++b)
      level[b] = std::clamp(level[b] - floors[b / step], 0.0, kMostLevel);
  }

  // Harmonics of a speed, less what lies between them.
  double comb(double hz) const {
    const double bin = hz * kTransform / signal_.rate;
    std::size_t l = 0;
    while (l + 1 < kLonger.size() && hz < kLonger[l + 1] * top_hz_) ++l;
    const std::vector<double>& level = level_[l];
    const double last = std::min<double>(kMostHarmonics, kHighestShare * kTransform / bin);
    double sum = 0;
    for (double h = 1; h <= last; ++h)
      sum += level[static_cast<std::size_t>(h * bin + 0.5)] -
             level[static_cast<std::size_t>((h - 0.5) * bin + 0.5)];
    return sum;
  }

  // Costs are negative scores; the last state is silence.
  void advance(std::vector<double>& cost, double& off, std::vector<Back>& back) {
    std::vector<double> next(states(), std::numeric_limits<double>::infinity());
    back.assign(states(), {});
    const std::size_t silent = states() - 1;
    double best = std::numeric_limits<double>::infinity();
    std::int32_t best_at = -1;
    for (std::size_t s = 0; s < silent; ++s)
      if (cost[s] < best) {
        best = cost[s];
        best_at = static_cast<std::int32_t>(s);
      }
    const bool ends = best + kSwitch < off;
    const double off_next = ends ? best + kSwitch : off;
    back[silent].from = ends ? best_at : -1;
    const auto speeds = static_cast<int>(speeds_.size()), rates = static_cast<int>(kRates.size());
    for (int f = 0; f < speeds; ++f)
      for (int r = 0; r < rates; ++r) {
        const auto here = static_cast<std::size_t>(f * rates + r);
        double least = off + kSwitch;
        std::int32_t from = -1;
        const int came = f - static_cast<int>(std::lround(kRates[r] * hop_s_ / kGrid));
        for (int df = -2; df <= 2; ++df)
          for (int dr = -2; dr <= 2; ++dr) {
            const int f0 = came + df, r0 = r + dr;
            if (f0 < 0 || f0 >= speeds || r0 < 0 || r0 >= rates) continue;
            const auto there = static_cast<std::size_t>(f0 * rates + r0);
            const double value = cost[there] + kChange * (std::abs(df) + std::abs(dr));
            if (value >= least) continue;
            least = value;
            from = static_cast<std::int32_t>(there);
          }
        next[here] = least - score_[here];
        back[here].from = from;
      }
    cost = std::move(next);
    off = off_next;
  }

  std::vector<Point> trace(const std::vector<double>& cost, double off,
                           const std::vector<std::vector<Back>>& back) const {
    const std::size_t silent = states() - 1;
    std::int32_t state = -1;
    double least = off;
    for (std::size_t s = 0; s < silent; ++s)
      if (cost[s] < least) {
        least = cost[s];
        state = static_cast<std::int32_t>(s);
      }
    std::vector<Point> run, longest;
    for (std::size_t k = back.size(); k-- > 0;) {
      if (state < 0) {
        if (run.size() > longest.size()) longest = run;
        run.clear();
        state = back[k][silent].from;
        // The frame that ended belongs to the one before.
        continue;
      }
      const auto s = static_cast<std::size_t>(state);
      run.push_back({length_s_ / 2 + hop_s_ * static_cast<double>(k), speeds_[s / kRates.size()],
                     scores_[k][s] + kSilent, k, s % kRates.size()});
      state = back[k][s].from;
    }
    if (run.size() > longest.size()) longest = run;
    std::reverse(longest.begin(), longest.end());
    return without_ends(longest);
  }

  // A frame at an end holds the shaft for a part of its time only.
  static std::vector<Point> without_ends(const std::vector<Point>& run) {
    std::size_t from = 0, to = run.size();
    while (from < to && run[from].score < kCertain) ++from;
    while (to > from && run[to - 1].score < kCertain) --to;
    if (to - from <= kHops) return {};
    from += kHops / 2;
    to -= kHops / 2;
    return {run.begin() + static_cast<std::ptrdiff_t>(from),
            run.begin() + static_cast<std::ptrdiff_t>(to)};
  }

  const Signal& signal_;
  double top_hz_, length_s_, hop_s_;
  std::vector<std::vector<float>> scores_;
  std::vector<double> speeds_, score_;
  std::array<std::vector<double>, kLengths.size()> level_;
  std::vector<Complex> spectrum_;
  Eigen::FFT<double> fft_;
};

// ---- the angle by phases ---------------------------------------------------------------------

// Turns over time, at equal steps of time.
class SpeedCourse {
 public:
  SpeedCourse(const std::vector<Point>& points) {
    begin_s_ = points.front().time_s;
    step_s_ = points[1].time_s - points[0].time_s;
    for (std::size_t i = 0; i < points.size(); ++i) hz_.push_back(smooth(points, i));
    turns_.push_back(0);
    for (std::size_t i = 1; i < hz_.size(); ++i)
      turns_.push_back(turns_.back() + step_s_ * (hz_[i - 1] + hz_[i]) / 2);
  }
  double last_turn() const { return turns_.back(); }
  double highest_hz() const { return *std::max_element(hz_.begin(), hz_.end()); }

  double time_at(double turn) const {
    const auto after = std::upper_bound(turns_.begin(), turns_.end(), turn);
    const auto i = static_cast<std::size_t>(std::clamp<std::ptrdiff_t>(
        after - turns_.begin() - 1, 0, static_cast<std::ptrdiff_t>(turns_.size()) - 2));
    double u = (turn - turns_[i]) / (turns_[i + 1] - turns_[i]);
    for (int n = 0; n < 4; ++n) u -= (turns(i, u) - turn) / std::max(1e-9, slope(i, u));
    return begin_s_ + step_s_ * (static_cast<double>(i) + u);
  }

  // Adds `off` turns at the places `at` (turns of this course), straight between them.
  void correct(const std::vector<double>& at, const std::vector<double>& off) {
    std::vector<double> added;
    for (const double turn : turns_) {
      const auto after = std::upper_bound(at.begin(), at.end(), turn);
      const auto i = static_cast<std::size_t>(std::clamp<std::ptrdiff_t>(
          after - at.begin() - 1, 0, static_cast<std::ptrdiff_t>(at.size()) - 2));
      added.push_back(off[i] + (off[i + 1] - off[i]) * (turn - at[i]) / (at[i + 1] - at[i]));
    }
    for (std::size_t i = 0; i < turns_.size(); ++i) turns_[i] += added[i];
    for (std::size_t i = 0; i < turns_.size(); ++i) {
      const std::size_t a = i > 0 ? i - 1 : 0, b = std::min(turns_.size() - 1, i + 1);
      hz_[i] = (turns_[b] - turns_[a]) / (step_s_ * static_cast<double>(b - a));
    }
  }

  // In steps so fine that straight pieces do.
  SpeedCourse finer(int times) const {
    SpeedCourse fine = *this;
    fine.step_s_ = step_s_ / times;
    fine.hz_.clear();
    fine.turns_.clear();
    for (std::size_t i = 0; i + 1 < turns_.size(); ++i)
      for (int k = 0; k < times; ++k) {
        fine.turns_.push_back(turns(i, static_cast<double>(k) / times));
        fine.hz_.push_back(slope(i, static_cast<double>(k) / times) / step_s_);
      }
    fine.turns_.push_back(turns_.back());
    fine.hz_.push_back(hz_.back());
    return fine;
  }

 private:
  static double smooth(const std::vector<Point>& points, std::size_t i) {
    const std::size_t reach = std::min({std::size_t{3}, i, points.size() - 1 - i});
    double sum = 0;
    for (std::size_t k = i - reach; k <= i + reach; ++k) sum += std::log(points[k].hz);
    return std::exp(sum / static_cast<double>(2 * reach + 1));
  }
  // The cubic with the speeds at both ends.
  double turns(std::size_t i, double u) const {
    const double m0 = hz_[i] * step_s_, m1 = hz_[i + 1] * step_s_, d = turns_[i + 1] - turns_[i];
    return turns_[i] + u * (m0 + u * (3 * d - 2 * m0 - m1 + u * (m0 + m1 - 2 * d)));
  }
  double slope(std::size_t i, double u) const {
    const double m0 = hz_[i] * step_s_, m1 = hz_[i + 1] * step_s_, d = turns_[i + 1] - turns_[i];
    return m0 + u * (2 * (3 * d - 2 * m0 - m1) + u * 3 * (m0 + m1 - 2 * d));
  }
  double begin_s_ = 0, step_s_ = 1;
  std::vector<double> hz_, turns_;
};

// Harmonics over the angle, in windows of some turns.
class Orders {
 public:
  Orders(const Signal& signal, const SpeedCourse& course, int harmonics) : harmonics_(harmonics) {
    const auto whole = static_cast<std::size_t>(course.last_turn() * kAngles);
    std::vector<double> y(whole);
    for (std::size_t i = 0; i < whole; ++i)
      y[i] = signal.at(course.time_at(static_cast<double>(i) / kAngles) * signal.rate - 0.5);
    const auto length = static_cast<std::size_t>(kWindowTurns * kAngles);
    const auto hop = static_cast<std::size_t>(kHopTurns * kAngles);
    for (std::size_t from = 0; from + length <= whole; from += hop) {
      at_.push_back((static_cast<double>(from) + static_cast<double>(length) / 2) / kAngles);
      for (int h2 = 1; h2 <= 2 * harmonics + 1; ++h2)  // odd ones lie between harmonics: noise
        lines_.push_back(line(y, from, length, h2 / 2.0));
    }
    set_noise();
  }

  std::size_t size() const { return at_.size(); }
  const std::vector<double>& at() const { return at_; }

  // Turns that the course is short of from each window to the next, summed up.
  std::vector<double> drift() const {
    std::vector<double> off(size(), 0.0);
    for (std::size_t m = 1; m < size(); ++m) {
      const auto agreement = [&](double turns) {
        double sum = 0;
        for (int h = 1; h <= harmonics_; ++h)
          sum +=
              (of(m, h) * std::conj(of(m - 1, h)) * std::polar(1.0, -2 * kPi * h * turns)).real() /
              noise_[static_cast<std::size_t>(h)];
        return sum;
      };
      double best = 0, most = -std::numeric_limits<double>::infinity();
      for (double turns = -kFurthest; turns <= kFurthest; turns += kFurthest / 40) {
        const double sum = agreement(turns);
        if (sum <= most) continue;
        most = sum;
        best = turns;
      }
      const double step = kFurthest / 40, a = agreement(best - step), b = agreement(best + step);
      const double bend = a - 2 * most + b;
      off[m] = off[m - 1] + best + (bend < 0 ? 0.5 * step * (a - b) / bend : 0);
    }
    return off;
  }

  // Turns by which each window is off the mean phases of all; their standard uncertainty from how
  // far the harmonics disagree.
  std::vector<double> off(std::vector<double>& sd) const {
    std::vector<Complex> mean(static_cast<std::size_t>(harmonics_) + 1);
    for (int h = 1; h <= harmonics_; ++h) {
      for (std::size_t m = 0; m < size(); ++m) mean[static_cast<std::size_t>(h)] += of(m, h);
      mean[static_cast<std::size_t>(h)] /= std::abs(mean[static_cast<std::size_t>(h)]) + 1e-300;
    }
    std::vector<double> turns(size(), 0.0);
    sd.assign(size(), 0.0);
    for (std::size_t m = 0; m < size(); ++m) {
      double sum = 0, weight = 0, squares = 0, used = 0;
      const auto phase = [&](int h) {
        return std::arg(of(m, h) * std::conj(mean[static_cast<std::size_t>(h)])) / (2 * kPi * h);
      };
      const auto worth = [&](int h) {
        const double over = std::norm(of(m, h)) / noise_[static_cast<std::size_t>(h)];
        return over > 4 && std::fabs(phase(h) * h) < 0.25 ? h * h * std::min(over, kMostWorth)
                                                          : 0.0;
      };
      for (int h = 1; h <= harmonics_; ++h) {
        sum += worth(h) * phase(h);
        weight += worth(h);
      }
      if (!(weight > 0)) continue;
      turns[m] = sum / weight;
      double largest = 0;
      for (int h = 1; h <= harmonics_; ++h) {
        squares += worth(h) * std::pow(phase(h) - turns[m], 2);
        largest = std::max(largest, worth(h));
      }
      used = weight / largest;
      sd[m] = std::sqrt(squares / weight / std::max(0.5, used - 1));
    }
    return turns;
  }

  // Harmonics that stand out of what lies between them.
  std::vector<int> heard() const {
    std::vector<int> out;
    for (int h = 1; h <= harmonics_; ++h) {
      double power = 0;
      for (std::size_t m = 0; m < size(); ++m) power += std::norm(of(m, h));
      if (power > 4 * noise_[static_cast<std::size_t>(h)] * static_cast<double>(size()))
        out.push_back(h);
    }
    return out;
  }

 private:
  static constexpr double kFurthest = 0.06;   // turns, from one window to the next
  static constexpr double kMostWorth = 1000;  // phases wander by themselves

  static Complex line(const std::vector<double>& y, std::size_t from, std::size_t length,
                      double order) {
    const Complex turn = std::polar(1.0, -2 * kPi * order / kAngles);
    Complex at = std::polar(1.0, -2 * kPi * order * static_cast<double>(from) / kAngles), sum = 0;
    for (std::size_t i = 0; i < length; ++i) {
      const double window =
          1 - std::cos(2 * kPi * (static_cast<double>(i) + 0.5) / static_cast<double>(length));
      sum += window * y[from + i] * at;
      at *= turn;
    }
    return sum / static_cast<double>(length);
  }
  Complex of(std::size_t m, int h) const {
    return lines_[m * stride() + static_cast<std::size_t>(2 * h - 1)];
  }
  Complex between(std::size_t m, int h) const {
    return lines_[m * stride() + static_cast<std::size_t>(2 * h)];
  }
  std::size_t stride() const { return static_cast<std::size_t>(2 * harmonics_ + 1); }
  void set_noise() {
    noise_.assign(static_cast<std::size_t>(harmonics_) + 1, 1e-30);
    for (int h = 1; h <= harmonics_; ++h) {
      std::vector<double> powers;
      for (std::size_t m = 0; m < size(); ++m) powers.push_back(std::norm(between(m, h)));
      if (powers.empty()) continue;
      const auto middle = powers.begin() + static_cast<std::ptrdiff_t>(powers.size() / 2);
      std::nth_element(powers.begin(), middle, powers.end());
      noise_[static_cast<std::size_t>(h)] = *middle / std::log(2.0) + 1e-30;
    }
  }

  int harmonics_;
  std::vector<double> at_, noise_;
  std::vector<Complex> lines_;
};

// Why the first course is none that can be believed; empty where it can.
std::string doubt_about(const Frames& frames, const std::vector<Point>& points, double top_hz) {
  if (points.size() < kLeastFrames) return "no sound of a turning shaft was followed";
  const double rival = frames.rival_of(points), top = Frames::fastest(points);
  const auto rpm = [](double hz) { return significant(60 * hz, 3); };
  if (std::fabs(top / top_hz - 1) > kStated)
    return fmt::format("what was followed turns at {} rpm at its fastest, not at about {}",
                       rpm(top), rpm(top_hz));
  if (rival > 0 && std::fabs(rival / top_hz - 1) < kStated)
    return fmt::format("its sound is as well that of {} rpm as of {} rpm at its fastest", rpm(top),
                       rpm(rival));
  return "";
}

// The course by phases, at the middles of windows.
struct Settled {
  std::vector<double> at, sd;  // turns
  std::vector<int> heard;      // harmonics
};

// Few harmonics first, whose phases a course that is still off by much does not turn round.
std::optional<Settled> settle(const Signal& signal, SpeedCourse& course) {
  const int most = std::clamp(static_cast<int>(kHighestShare * signal.rate / course.highest_hz()),
                              1, kMostHarmonics);
  for (const int harmonics : {std::min(most, 6), std::min(most, 12), most}) {
    const Orders orders(signal, course, harmonics);
    if (orders.size() < kLeastWindows) return std::nullopt;
    course.correct(orders.at(), orders.drift());
  }
  Settled settled;
  for (int round = 0; round < 3; ++round) {
    const Orders orders(signal, course, most);
    if (orders.size() < kLeastWindows) return std::nullopt;
    const std::vector<double> off = orders.off(settled.sd);
    settled.at = orders.at();
    settled.heard = orders.heard();
    course.correct(settled.at, off);
  }
  return settled;
}

// Empty where the course does not go forward all the way.
std::vector<SoundEdge> edges_of(const SpeedCourse& course, const Settled& settled, double rate) {
  std::vector<SoundEdge> edges;
  const double first = std::ceil(settled.at.front() * kTonePulses);
  const double last = std::floor(settled.at.back() * kTonePulses);
  for (double edge = first; edge <= last; ++edge) {
    const double turn = edge / kTonePulses, half = 0.5 / kTonePulses;
    const double at = course.time_at(turn) * rate;
    const double period = (course.time_at(turn + half) - course.time_at(turn - half)) * rate;
    if (!(period > 0) || (!edges.empty() && !(at > edges.back().at))) return {};
    const double place = (turn - settled.at.front()) / kHopTurns;
    const auto window = static_cast<std::size_t>(
        std::clamp(place, 0.0, static_cast<double>(settled.sd.size() - 1)));
    edges.push_back({at, edge == first ? 0 : 1,
                     std::max(settled.sd[window], 1e-6) * kTonePulses * period, period});
  }
  return edges;
}

// Tops that are tried where none is stated, so near to each other that each speed is within kStated
// of one: 4 to 170 turns a second.
constexpr double kLowestTop_hz = 5, kHighestTop_hz = 140, kNextTop = 1.4;
constexpr std::size_t kLeastHeard = 3;
constexpr double kFewOfOthers = 0.15;  // of the harmonics heard: what stands out by chance

// The largest number of which nearly all harmonics heard are multiples.
int spacing_of(const std::vector<int>& heard) {
  for (int k = kMostHarmonics / 2; k > 1; --k) {
    const auto others =
        std::count_if(heard.begin(), heard.end(), [k](int h) { return h % k != 0; });
    if (static_cast<double>(others) <= kFewOfOthers * static_cast<double>(heard.size())) return k;
  }
  return 1;
}

}  // namespace

double pace_of_tone(const std::vector<float>& x, double rate) {
  double pace = 0;
  std::size_t most = 0;
  for (double top = kLowestTop_hz; top < kHighestTop_hz; top *= kNextTop) {
    const ToneCourse course = follow_tone(x, rate, top);
    // The lowest speed of which the most harmonics are heard has them all.
    if (course.heard.size() < kLeastHeard || course.heard.size() <= most) continue;
    most = course.heard.size();
    pace = course.top_hz * spacing_of(course.heard);
  }
  return pace;
}

ToneCourse follow_tone(std::vector<float> x, double rate, double top_hz) {
  ToneCourse out;
  const Signal signal = worked(std::move(x), rate);
  Frames frames(signal, top_hz);
  const std::vector<Point> points = frames.best_course();
  out.why = doubt_about(frames, points, top_hz);
  if (!out.why.empty()) return out;
  SpeedCourse course = SpeedCourse(points).finer(8);
  const auto settled = settle(signal, course);
  if (!settled)
    out.why = "the sound of the shaft was followed for too short a time";
  else if (settled->heard.size() < 2)
    out.why = "what was followed has no harmonics of a turn";
  if (!out.why.empty()) return out;
  out.top_hz = course.highest_hz();
  out.heard = settled->heard;
  out.edges = edges_of(course, *settled, rate);
  if (out.edges.empty()) out.why = "the sound of the shaft was lost on the way";
  return out;
}

}  // namespace loadline
