#include "logger/sound/pulse_shape.h"

#include <Eigen/Dense>
#include <algorithm>
#include <array>
#include <cmath>
#include <limits>

#include "db/basis/median.h"
#include "db/basis/units.h"

namespace loadline {
namespace {

constexpr int kCells = 64;                          // of the window about the flank
constexpr int kWholeCells = 128;                    // of a whole period
constexpr double kWidths = 3;                       // of the flank: half the window
constexpr double kWidest = 0.2, kNarrowest = 0.03;  // of the period: half the window
constexpr double kSteep = 0.5;  // of the highest slope: what counts as the flank
constexpr int kRounds = 3, kSteps = 2;
constexpr std::size_t kGroups = 12, kGroup = 20;  // of neighbours, that tell the high-pass
constexpr double kWild = 10, kLeastSquares = 1e-12;
constexpr double kClearly = 2;        // usual flanks: a high-pass that explains less is none
constexpr double kFewestSamples = 5;  // in half a window

// Corners of a sound input's high-pass that are tried, Hz; 0 for none.
constexpr std::array kCorners = {0.0,  3.0,  6.0,   12.0,  18.0,  26.0, 38.0,
                                 55.0, 80.0, 115.0, 165.0, 240.0, 350.0};

// Then whether it is two high-passes, one after the other (of the microphone and of the amplifier),
// by the share that the second has in the sum of both, which is what a short stretch shows; and
// sums about the one found.
constexpr std::array kShares = {0.0, 0.08, 0.16, 0.28, 0.5};
constexpr std::array kSums = {0.85, 1.0, 1.18};

// Corners of two high-passes of first order; 0 for none.
struct HighPass {
  double first = 0, second = 0;
  HighPass times(double factor) const { return {first * factor, second * factor}; }
};

using Course = std::vector<double>;

// Means of the cells of a window about `at`; false where it is not wholly inside the take.
bool look(const RunningSums& sums, double at, double half, Course& cells) {
  const double width = 2 * half / static_cast<double>(cells.size());
  if (at - half < 0 || at + half > static_cast<double>(sums.size()) - 1) return false;
  double before = sums.up_to(at - half);
  for (std::size_t c = 0; c < cells.size(); ++c) {
    const double after = sums.up_to(at - half + width * static_cast<double>(c + 1));
    cells[c] = (after - before) / width;
    before = after;
  }
  return true;
}

Course slope_of(const Course& course) {
  Course slope(course.size(), 0.0);
  for (std::size_t c = 1; c + 1 < course.size(); ++c)
    slope[c] = (course[c + 1] - course[c - 1]) / 2;
  return slope;
}

// The steepest part nearest to the middle: its centre and its width, in cells.
struct Steepest {
  double centre = 0, width = 0;
};

Steepest steepest(const Course& course) {
  const Course slope = slope_of(course);
  const auto n = static_cast<std::ptrdiff_t>(slope.size());
  std::ptrdiff_t top = n / 2;
  for (std::ptrdiff_t c = n / 4; c < 3 * n / 4; ++c)
    if (slope[static_cast<std::size_t>(c)] > slope[static_cast<std::size_t>(top)]) top = c;
  const double least = kSteep * slope[static_cast<std::size_t>(top)];
  std::ptrdiff_t from = top, to = top;
  while (from > 1 && slope[static_cast<std::size_t>(from - 1)] > least) --from;
  while (to + 2 < n && slope[static_cast<std::size_t>(to + 1)] > least) ++to;
  double sum = 0, moment = 0;
  for (std::ptrdiff_t c = from; c <= to; ++c) {
    const double above = slope[static_cast<std::size_t>(c)] - least;
    sum += above;
    moment += above * static_cast<double>(c);
  }
  if (!(sum > 0)) return {static_cast<double>(n) / 2 - 0.5, 1};
  return {moment / sum, static_cast<double>(to - from + 1)};
}

double at_cell(const Course& course, double place) {
  const double inside = std::clamp(place, 0.0, static_cast<double>(course.size()) - 1.001);
  const auto c = static_cast<std::size_t>(inside);
  const double part = inside - static_cast<double>(c);
  return course[c] + part * (course[c + 1] - course[c]);
}

// By both neighbours where there are.
void set_periods(std::vector<TimedFlank>& flanks) {
  for (std::size_t i = 0; i < flanks.size(); ++i) {
    double span = 0, pulses = 0;
    if (i > 0 && flanks[i].step > 0) {
      span += flanks[i].at - flanks[i - 1].at;
      pulses += flanks[i].step;
    }
    if (i + 1 < flanks.size() && flanks[i + 1].step > 0) {
      span += flanks[i + 1].at - flanks[i].at;
      pulses += flanks[i + 1].step;
    }
    if (span > 0) flanks[i].period = span / pulses;
  }
}

// A high-pass of first order over the cells of a window, at rest before it, and its reverse.
// `corner`: its corner in radians per cell.
Course after_high_pass(const Course& in, double corner) {
  Course out(in.size(), 0.0);
  const double keep = std::exp(-corner), half = std::exp(-corner / 2);
  for (std::size_t c = 1; c < in.size(); ++c)
    out[c] = keep * out[c - 1] + half * (in[c] - in[c - 1]);
  return out;
}

Course before_high_pass(const Course& out, double corner) {
  Course in(out.size(), 0.0);
  const double keep = std::exp(-corner), half = std::exp(-corner / 2);
  for (std::size_t c = 1; c < out.size(); ++c)
    in[c] = in[c - 1] + (out[c] - keep * out[c - 1]) / half;
  return in;
}

// One flank laid under the usual course.
struct Laid {
  bool fits = false;
  double shift = 0;    // cells
  double sd = 0;       // of the shift, cells
  double squares = 0;  // of what is left, a sample each
};

// `samples`: how many the window has.
Laid lay(const Course& cells, const Course& usual, double samples) {
  const Course slope = slope_of(usual);
  Laid laid;
  Eigen::Matrix4d normal = Eigen::Matrix4d::Zero();
  Eigen::Vector4d right = Eigen::Vector4d::Zero();
  const auto n = static_cast<double>(cells.size());
  const auto basis = [&](std::size_t c) {
    return Eigen::Vector4d(usual[c], slope[c], 1, 2 * (static_cast<double>(c) + 0.5) / n - 1);
  };
  for (std::size_t c = 0; c < cells.size(); ++c) {
    const Eigen::Vector4d b = basis(c);
    normal += b * b.transpose();
    right += cells[c] * b;
  }
  const Eigen::LDLT<Eigen::Matrix4d> solver(normal);
  const Eigen::Vector4d x = solver.solve(right);
  if (!x.allFinite() || !(x[0] > 0)) return laid;
  double squares = 0, neighbours = 0, last = 0;
  for (std::size_t c = 0; c < cells.size(); ++c) {
    const double r = cells[c] - basis(c).dot(x);
    squares += r * r;
    neighbours += r * last;
    last = r;
  }
  const double together = std::clamp(squares > 0 ? neighbours / squares : 0, 0.0, 0.95);
  const double memory = std::max((1 + together) / (1 - together), n / samples);
  const double variance = squares / (n - 4) * memory;
  laid.shift = -x[1] / x[0];
  laid.squares = squares * samples / n;
  laid.sd = std::sqrt(variance * solver.solve(Eigen::Matrix4d::Identity())(1, 1)) / x[0];
  laid.fits = std::isfinite(laid.shift) && std::isfinite(laid.sd);
  return laid;
}

class Refinement {
 public:
  /// `high_pass`: of the sound input, radians per sample.
  Refinement(const RunningSums& sums, std::vector<TimedFlank>& flanks, HighPass high_pass)
      : sums_(sums), flanks_(flanks), high_pass_(high_pass) {}

  void run(int rounds) {
    set_periods(flanks_);
    if (!find_window()) return;
    for (int round = 0; round < rounds; ++round) {
      set_periods(flanks_);
      learn();
      left_.clear();
      for (TimedFlank& flank : flanks_) place(flank);
    }
  }

  /// Squares of what is left beside the usual course, one for each flank.
  const std::vector<double>& left() const { return left_; }

 private:
  double half(const TimedFlank& flank) const {
    return std::max(half_ * flank.period, kFewestSamples);
  }

  // The mean course over a whole period tells how long a flank is.
  bool find_window() {
    Course sum(kWholeCells, 0.0), cells(kWholeCells);
    double count = 0;
    for (const TimedFlank& flank : flanks_) {
      if (!look(sums_, flank.at, flank.period / 2, cells)) continue;
      for (std::size_t c = 0; c < sum.size(); ++c) sum[c] += cells[c];
      count += 1;
    }
    if (count < 1) return false;
    half_ = std::clamp(kWidths * steepest(sum).width / kWholeCells, kNarrowest, kWidest);
    return true;
  }

  HighPass per_cell(const TimedFlank& flank) const {
    return high_pass_.times(2 * half(flank) / kCells);
  }

  // The mean of all flanks, each brought to the same height and level, its steepest part in the
  // middle.
  void learn() {
    Course sum(kCells, 0.0), cells(kCells);
    double weight = 0;
    for (const TimedFlank& flank : flanks_) {
      if (!look(sums_, flank.at, half(flank), cells)) continue;
      const double before = mean_of(cells, 0, kCells / 4);
      for (double& cell : cells) cell -= before;
      const HighPass passed = per_cell(flank);
      cells = before_high_pass(before_high_pass(cells, passed.second), passed.first);
      const double low = mean_of(cells, kCells / 4, kCells / 2);
      const double high = mean_of(cells, kCells / 2, 3 * kCells / 4);
      if (!(high > low)) continue;
      // By least squares: a flank of small height says little.
      for (std::size_t c = 0; c < kCells; ++c) sum[c] += (cells[c] - low) * (high - low);
      weight += (high - low) * (high - low);
    }
    if (!(weight > 0)) return;
    for (double& cell : sum) cell /= weight;
    const double away = steepest(sum).centre - (kCells - 1) / 2.0;
    usual_.assign(kCells, 0.0);
    for (std::size_t c = 0; c < kCells; ++c)
      usual_[c] = at_cell(sum, static_cast<double>(c) + away);
  }

  static double mean_of(const Course& cells, std::size_t from, std::size_t to) {
    double sum = 0;
    for (std::size_t c = from; c < to; ++c) sum += cells[c];
    return sum / static_cast<double>(to - from);
  }

  void place(TimedFlank& flank) {
    Course cells(kCells);
    const double reach = half(flank), width = 2 * reach / kCells;
    const HighPass passed = per_cell(flank);
    const Course usual = after_high_pass(after_high_pass(usual_, passed.first), passed.second);
    double at = flank.at;
    for (int step = 0; step < kSteps; ++step) {
      if (!look(sums_, at, reach, cells)) break;
      const Laid laid = lay(cells, usual, 2 * reach);
      if (!laid.fits) break;
      const double shift = std::clamp(laid.shift * width, -reach / 2, reach / 2);
      if (std::fabs(at + shift - flank.at) > reach) break;
      at += shift;
      flank.sd = laid.sd * width;
      if (step + 1 == kSteps) left_.push_back(laid.squares);
    }
    flank.at = at;
  }

  const RunningSums& sums_;
  std::vector<TimedFlank>& flanks_;
  HighPass high_pass_;
  double half_ = 0.05;  // of the period
  Course usual_ = Course(kCells, 0.0);
  std::vector<double> left_;
};

// What is left of all flanks over the usual of one; a wild one counts ten, one that found no place
// as well.
double total(const std::vector<double>& left, std::size_t flanks, double usual) {
  double sum = kWild * static_cast<double>(flanks - left.size());
  for (const double squares : left) sum += std::min(squares / usual, kWild);
  return sum;
}

}  // namespace

namespace {

// Groups of neighbours from all over the sound.
std::vector<TimedFlank> some_of(const std::vector<TimedFlank>& flanks) {
  if (flanks.size() <= kGroups * kGroup) return flanks;
  std::vector<TimedFlank> some;
  for (std::size_t g = 0; g < kGroups; ++g) {
    const std::size_t from = g * (flanks.size() - kGroup) / (kGroups - 1);
    for (std::size_t i = from; i < from + kGroup; ++i) {
      some.push_back(flanks[i]);
      if (i == from) some.back().step = 0;
    }
  }
  return some;
}

}  // namespace

InputHighPass high_pass_of(const RunningSums& sums, double rate,
                           const std::vector<TimedFlank>& flanks) {
  const std::vector<TimedFlank> few = some_of(flanks);
  double best = std::numeric_limits<double>::infinity(), usual = 0;
  HighPass found;  // Hz
  const auto try_one = [&](HighPass tried, double clearly) {
    std::vector<TimedFlank> some = few;
    Refinement refinement(sums, some, tried.times(2 * kPi / rate));
    refinement.run(2);
    if (tried.first == 0) usual = std::max(median(refinement.left()), kLeastSquares);
    const double left = total(refinement.left(), few.size(), usual);
    if (left >= best - clearly) return;
    best = left;
    found = tried;
  };
  for (const double corner : kCorners) try_one({corner, 0}, found.first == 0 ? kClearly : 0);
  const double one = found.first;
  for (const double sum : kSums)
    for (const double share : kShares)
      if (one > 0) try_one({one * sum * (1 - share), one * sum * share}, 0);
  return {found.first, found.second};
}

void refine(const RunningSums& sums, double rate, InputHighPass input,
            std::vector<TimedFlank>& flanks) {
  const HighPass corners{input.first_hz, input.second_hz};
  Refinement(sums, flanks, corners.times(2 * kPi / rate)).run(kRounds);
}

}  // namespace loadline
