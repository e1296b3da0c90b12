#include "fit/belts/steady_part.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <vector>

#include "db/basis/estimate.h"
#include "db/basis/units.h"
#include "fit/readings/noise/noise.h"

namespace loadline {
namespace {

constexpr std::size_t kMostBlocks = 240;
constexpr std::size_t kLeastBlocks = 6;

// Turns since the start of the trace as a function of time; straight between window ends.
struct Turns {
  std::vector<double> time_s, turns;
  double at(double t) const;
  double time_of(double count) const;
};

double interpolate(const std::vector<double>& x, const std::vector<double>& y, double at) {
  const auto upper = std::upper_bound(x.begin(), x.end(), at);
  if (upper == x.begin()) return y.front();
  if (upper == x.end()) return y.back();
  const auto i = static_cast<std::size_t>(upper - x.begin());
  const double width = x[i] - x[i - 1];
  return width > 0 ? y[i - 1] + (y[i] - y[i - 1]) * (at - x[i - 1]) / width : y[i];
}

double Turns::at(double t) const { return interpolate(time_s, turns, t); }
double Turns::time_of(double count) const { return interpolate(turns, time_s, count); }

// A reading far from the median of its neighbours is a missed or doubled edge, not speed.
std::vector<double> without_knocks(const SpeedTrace& trace, std::size_t& knocks) {
  constexpr std::ptrdiff_t kReach = 5;
  const auto n = static_cast<std::ptrdiff_t>(trace.speed.size());
  std::vector<double> local(trace.speed.size()), away(trace.speed.size());
  for (std::ptrdiff_t i = 0; i < n; ++i) {
    const auto from = trace.speed.begin() + std::max<std::ptrdiff_t>(0, i - kReach);
    const auto to = trace.speed.begin() + std::min(n, i + kReach + 1);
    local[static_cast<std::size_t>(i)] = median({from, to});
    away[static_cast<std::size_t>(i)] =
        trace.speed[static_cast<std::size_t>(i)] - local[static_cast<std::size_t>(i)];
  }
  const double limit = std::max(8 * robust_sd(away), 0.05 * median(trace.speed));
  std::vector<double> speed = trace.speed;
  for (std::size_t i = 0; i < speed.size(); ++i) {
    if (std::fabs(away[i]) <= limit) continue;
    speed[i] = local[i];
    ++knocks;
  }
  return speed;
}

Turns count_turns(const SpeedTrace& trace, const std::vector<double>& speed) {
  Turns counted;
  double total = 0;
  const auto note = [&](double t) {
    counted.time_s.push_back(t);
    counted.turns.push_back(total);
  };
  note(trace.start_s.front());
  for (std::size_t i = 0; i < speed.size(); ++i) {
    const double gap = trace.start_s[i] - counted.time_s.back();
    if (gap > 0) {
      total += gap * speed[i] / (2 * kPi);
      note(trace.start_s[i]);
    }
    total += trace.window_s(i) * speed[i] / (2 * kPi);
    note(trace.end_s[i]);
  }
  return counted;
}

// Means over equal stretches of about a whole number of turns each.
struct Blocks {
  double start_s = 0, length_s = 0;
  std::vector<double> speed;  // rad/s
  double end_of(std::size_t i) const { return start_s + length_s * static_cast<double>(i); }
};

Blocks cut(const Turns& turns, double usual_speed, double interval_s) {
  Blocks blocks;
  blocks.start_s = turns.time_s.front();
  const double whole = turns.time_s.back() - blocks.start_s;
  const double turn = 2 * kPi / usual_speed;
  const double least = std::max(whole / kMostBlocks, interval_s);
  blocks.length_s = turn < whole / 20 ? std::ceil(least / turn) * turn : least;
  const auto n = static_cast<std::size_t>(whole / blocks.length_s);
  for (std::size_t i = 0; i < n; ++i)
    blocks.speed.push_back((turns.at(blocks.end_of(i + 1)) - turns.at(blocks.end_of(i))) * 2 * kPi /
                           blocks.length_s);
  return blocks;
}

struct Stretch {
  std::size_t from = 0, to = 0;  // blocks [from, to)
  std::size_t size() const { return to - from; }
};

// Where the motor was let go: the end of the blocks near the usual speed, less the block in which
// the fall began.
std::size_t run_down_start(const std::vector<double>& y, double usual) {
  const auto near = [&](double v) { return std::fabs(v - usual) < 0.03 * usual; };
  const auto end =
      static_cast<std::size_t>(std::find_if(y.rbegin(), y.rend(), near).base() - y.begin());
  return end == y.size() || end < 2 ? y.size() : end - 1;
}

// The start in the first half of [0, to) that leaves the smallest sum of squares / size². Only the
// start is searched, and not beyond the half: a free search for quiet stretches finds them in
// correlated noise and makes the mean worse.
Stretch best_stretch(const std::vector<double>& y, std::size_t to) {
  double sum = 0, squares = 0;
  Stretch best{0, to};
  double best_score = std::numeric_limits<double>::infinity();
  for (std::size_t from = to; from-- > 0;) {
    const double d = y[from] - y[to - 1];
    sum += d;
    squares += d * d;
    const auto n = static_cast<double>(to - from);
    const double score = (squares - sum * sum / n) / (n * n);
    if (from <= to / 2 && score < best_score) best_score = score, best.from = from;
  }
  return best;
}

struct Line {
  double mean = 0, change = 0, change_sd = 0, mean_sd = 0;
  double scatter = 0;  // of single blocks about the line, blind to a few odd ones
};

// Straight line through the blocks of a stretch; both uncertainties allow for correlation.
Line line_through(const std::vector<double>& y, const Stretch& stretch) {
  const auto n = static_cast<double>(stretch.size());
  Line line;
  double sxy = 0, sxx = 0;
  for (std::size_t i = stretch.from; i < stretch.to; ++i) line.mean += y[i] / n;
  std::vector<double> residuals;
  const auto x_of = [&](std::size_t i) {
    return (static_cast<double>(i - stretch.from) + 0.5) / n - 0.5;
  };
  for (std::size_t i = stretch.from; i < stretch.to; ++i) {
    sxy += x_of(i) * (y[i] - line.mean);
    sxx += x_of(i) * x_of(i);
  }
  line.change = sxy / sxx;
  double ss = 0;
  for (std::size_t i = stretch.from; i < stretch.to; ++i) {
    residuals.push_back(y[i] - line.mean - line.change * x_of(i));
    ss += residuals.back() * residuals.back();
  }
  const double factor = std::max(1.0, correlation_factor(residuals, 2).factor);
  const double variance = ss / std::max(1.0, n - 2) * factor;
  line.scatter = robust_sd(residuals);
  line.change_sd = std::sqrt(variance / sxx);
  line.mean_sd = std::sqrt(variance / n);
  return line;
}

// Blocks away from the plateau, as a share of those near it. A run-up below it and a run-down to
// under half of it are no wandering.
double wandering_share(const std::vector<double>& y, double plateau, double band) {
  const auto near = [&](double v) { return std::fabs(v - plateau) < band * plateau; };
  const auto last = std::find_if(y.rbegin(), y.rend(), near).base();
  bool reached = false;
  double close = 0, away = 0;
  for (auto at = y.begin(); at != y.end(); ++at) {
    reached = reached || near(*at);
    if (near(*at))
      close += 1;
    else if (*at > plateau || (reached && (at < last || *at > plateau / 2)))
      away += 1;
  }
  return away / std::max(1.0, close);
}

std::string describe_change(const Line& line, double seconds) {
  return fmt::format(
      "not steady: the speed {} by {:.1f} % over the last steadiest {:.1f} s; let it "
      "run longer before stopping",
      line.change > 0 ? "still rose" : "fell", std::fabs(100 * line.change / line.mean), seconds);
}

// Takes whole turns out of [start, end] and fills speed and turns.
void take_whole_turns(SteadyPart& part, const Turns& turns) {
  const double from = turns.at(part.start_s);
  const double whole = std::floor(turns.at(part.end_s) - from);
  if (whole >= 1) part.end_s = turns.time_of(from + whole);
  part.turns = turns.at(part.end_s) - from;
  part.speed = part.turns * 2 * kPi / (part.end_s - part.start_s);
}

}  // namespace

SteadyPart steady_part(const SpeedTrace& trace, const SteadyOptions& options) {
  SteadyPart part;
  if (trace.speed.size() < kLeastBlocks) {
    part.fault = "not steady: it holds too few speed readings; record it for longer";
    return part;
  }
  const std::vector<double> speed = without_knocks(trace, part.knocks);
  const double usual =
      median({speed.begin() + static_cast<std::ptrdiff_t>(speed.size() / 2), speed.end()});
  if (!(usual > 0)) {
    part.fault = "not steady: the shaft stands still for most of the run";
    return part;
  }
  const Turns turns = count_turns(trace, speed);
  const Blocks blocks = cut(turns, usual, trace.interval_s);
  const double whole_s = turns.time_s.back() - turns.time_s.front();
  const double least_s = std::min(options.least_seconds, whole_s / 3);
  const auto least = std::max<std::size_t>(
      kLeastBlocks, static_cast<std::size_t>(std::ceil(least_s / blocks.length_s)));
  if (blocks.speed.size() < least) {
    part.fault = fmt::format("not steady: {:.1f} s are too short to judge it; record it for longer",
                             whole_s);
    return part;
  }
  Stretch stretch = best_stretch(blocks.speed, run_down_start(blocks.speed, usual));
  if (stretch.size() < least) stretch = {0, blocks.speed.size()};
  Line line = line_through(blocks.speed, stretch);
  const double allowed =
      (options.tolerance_percent + 1.2 * std::fabs(options.supply_change_percent)) / 100;
  while (std::fabs(line.change) > allowed * line.mean && stretch.size() > least) {
    stretch.from += std::min(std::max<std::size_t>(1, stretch.size() / 10), stretch.size() - least);
    line = line_through(blocks.speed, stretch);
  }
  // What is left of a run-up or a dip at the very start.
  const double usual_here =
      median({blocks.speed.begin() + static_cast<std::ptrdiff_t>(stretch.from),
              blocks.speed.begin() + static_cast<std::ptrdiff_t>(stretch.to)});
  const double odd = std::max(5 * line.scatter, 0.005 * usual_here);
  while (stretch.size() > least && std::fabs(blocks.speed[stretch.from] - usual_here) > odd)
    ++stretch.from;
  line = line_through(blocks.speed, stretch);
  part.start_s = blocks.end_of(stretch.from);
  part.end_s = blocks.end_of(stretch.to);
  part.speed_sd = line.mean_sd;
  part.change_percent = 100 * line.change / line.mean;
  take_whole_turns(part, turns);
  const double band = 2 * allowed + 4 * line.scatter / line.mean;
  // The excess must be more than noise makes of a short stretch.
  if (std::fabs(line.change) > allowed * line.mean + 2 * line.change_sd)
    part.fault = describe_change(line, blocks.length_s * static_cast<double>(stretch.size()));
  else if (wandering_share(blocks.speed, line.mean, band) > 0.2)
    part.fault = fmt::format(
        "not steady: the speed was away from {} rpm by more than {:.1f} % for a "
        "good part of the run",
        significant(rpm_from_rad_per_s(part.speed), 4), 100 * band);
  else if (options.least_turns > 0 && part.turns < options.least_turns)
    part.fault = fmt::format("not steady: only {:.0f} turns of steady speed; record it for longer",
                             part.turns);
  return part;
}

}  // namespace loadline
