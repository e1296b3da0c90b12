#include "fit/readings/speeds/recovered_edges.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <limits>
#include <numeric>
#include <utility>
#include <vector>

#include "db/basis/units.h"
#include "fit/readings/noise/noise.h"
#include "fit/readings/noise/reading_constants.h"
#include "fit/readings/noise/usual_step.h"
#include "fit/readings/speeds/holds.h"

namespace loadline {
namespace {

using namespace reading_chosen;

// One new value of an imported tachometer: when it was seen, and how long after the one before.
struct NewValue {
  double seen_s = 0, since_s = 0, speed = 0;
  std::size_t rows = 1;  ///< that it took to come
  bool steady = false;   ///< held from `since_s` before until `seen_s`, too long to be old
};

std::vector<NewValue> new_values(std::span<const double> time_s, std::span<const double> rpm) {
  const Holds holds = Holds::in(time_s, rpm);
  std::vector<NewValue> values;
  values.reserve(rpm.size());
  std::size_t last = rpm.size(), held = rpm.size();  // rows of the last new value and its repeat
  for (std::size_t i = 0; i < rpm.size(); ++i) {
    if (std::isnan(rpm[i])) continue;
    if (last < rpm.size() && rpm[i] == rpm[last]) {
      held = i;
      continue;
    }
    if (last < rpm.size()) {
      if (held > last && holds.is_steady(time_s[i] - time_s[last], rpm[i])) {
        values.push_back({time_s[held], time_s[held] - time_s[last], rad_per_s_from_rpm(rpm[last]),
                          held - last, true});
        last = held;
      }
      values.push_back(
          {time_s[i], time_s[i] - time_s[last], rad_per_s_from_rpm(rpm[i]), i - last, false});
    }
    last = held = i;
  }
  return values;
}

// A display may renew its value only every few rows: what the rows between new values have in
// common. An edge then lies at most so long before the row that tells of it.
double report_interval(std::span<const NewValue> values, double row_s) {
  std::size_t common = 0;
  for (const NewValue& value : values)
    if (!value.steady) common = std::gcd(common, value.rows);
  return row_s * static_cast<double>(std::max<std::size_t>(1, common));
}

constexpr int kMostInTurn = 120;
constexpr std::size_t kLeastValues = 8;
constexpr std::size_t kLeastStretches = 6;

// Whether the times of single (or few) pulses of this pitch do not stray from the rows that report
// them: each edge lies at most one report before its row, so the truth strays by less than one
// either way. Only values so slow that a pulse outlasts two reports can tell.
enum class Verdict { kContradicted, kTooFewCanTell, kExplained };
Verdict explained(std::span<const NewValue> values, double pitch, double report_s) {
  double low = 0, high = 0, sum = 0;
  std::size_t used = 0;
  // The very first value was not seen to come: its row need not hold an edge.
  for (const NewValue& value : values.subspan(1)) {
    const double period = value.speed > 0 ? pitch / value.speed : 0;
    if (value.steady || period < kSlowEnough * report_s) {  // what follows starts anew
      sum = low = high = 0;
      continue;
    }
    sum += std::max(1.0, std::round(value.since_s / period)) * period - value.since_s;
    low = std::min(low, sum);
    high = std::max(high, sum);
    if (high - low >= kMostStray * report_s) return Verdict::kContradicted;
    ++used;
  }
  return used >= kLeastStretches ? Verdict::kExplained : Verdict::kTooFewCanTell;
}

std::size_t slowest_row(std::span<const double> rpm) {
  std::size_t slowest = rpm.size();
  for (std::size_t i = 0; i < rpm.size(); ++i)
    if (rpm[i] > 0 && (slowest == rpm.size() || rpm[i] < rpm[slowest])) slowest = i;
  return slowest;
}

// The most pulses per turn that the slowest row could tell of.
int most_pulses(double slowest_rpm, double report_s) {
  const double most = 2 * kPi / (kSlowEnough * report_s * rad_per_s_from_rpm(slowest_rpm));
  return static_cast<int>(std::min<double>(kMostInTurn, most));
}

// The fewest pulses per turn that explain the values; 0 when there is too little to tell, or when
// one pulse more would explain them too.
int pulses_per_turn(const std::vector<NewValue>& values, int most, double report_s) {
  const auto explains = [&](int pulses) {
    return explained(values, 2 * kPi / pulses, report_s) == Verdict::kExplained;
  };
  for (int pulses = 1; pulses <= most; ++pulses)
    if (explains(pulses)) return pulses > 2 && explains(pulses + 1) ? 0 : pulses;
  return 0;
}

// Only slow rows can tell, and some thousands of the slowest mostly do, that no number of pulses is
// behind a long run.
constexpr std::size_t kSlowRows = 5000;
bool contradicted_where_slow(std::span<const double> time_s, std::span<const double> rpm,
                             std::size_t slowest, double row_s) {
  if (rpm.size() < 2 * kSlowRows) return false;
  const std::size_t from =
      std::min(slowest - std::min(slowest, kSlowRows / 2), rpm.size() - kSlowRows);
  const std::vector<NewValue> values =
      new_values(time_s.subspan(from, kSlowRows), rpm.subspan(from, kSlowRows));
  if (values.empty()) return false;
  const double report_s = report_interval(values, row_s);
  const int most = most_pulses(rpm[slowest], report_s);
  for (int pulses = 1; pulses <= most; ++pulses)
    if (explained(values, 2 * kPi / pulses, report_s) != Verdict::kContradicted) return false;
  return true;
}

// How far values lie from the cubic through two neighbours on either side, each at its `middle`,
// summed over [from, to). Not counted further than `limit`.
template <typename Middle>
double roughness_of(std::span<const NewValue> values, std::size_t from, std::size_t to,
                    double limit, Middle middle) {
  double sum = 0;
  for (std::size_t i = from + 2; i + 2 < to && sum < limit; ++i) {
    const std::array<std::size_t, 4> others = {i - 2, i - 1, i + 1, i + 2};
    double expected = 0;  // Lagrange's formula
    for (const std::size_t a : others) {
      double share = 1;
      for (const std::size_t b : others)
        if (b != a) share *= (middle(i) - middle(b)) / (middle(a) - middle(b));
      expected += share * values[a].speed;
    }
    // A wild one, or two at one place, counts as if it knew nothing of its neighbours.
    const double away = std::fabs(values[i].speed - expected);
    const double most = std::fabs(values[i + 1].speed - values[i - 1].speed);
    sum += away < most ? away : most;
  }
  return sum;
}

// Puts the edges on the time axis. A value says exactly how long its n pulses took, and the last of
// them lies less than a pulse before its row. Where one edge lies, the phase, then settles all of
// them. Slow rows bound the phase, since each tells of an edge within one report; within these
// bounds that one is taken in which the values follow each other most smoothly: a wrong phase puts
// now and then an edge on the wrong side of a row, and the value there at the wrong time.
class Placement {
 public:
  Placement(std::span<const NewValue> values, double pitch, double report_s)
      : values_(values), report_s_(report_s), edge_s_(values.size()), pulses_(values.size(), 1) {
    for (const NewValue& value : values) period_.push_back(pitch / std::max(value.speed, 1e-9));
  }
  // Places the edges, as finely as it goes.
  void place() {
    each_moving([this](std::size_t from, std::size_t to) { place(from, to); });
  }
  // The least sum of roughnesses among some phases; counted no further than `limit`.
  double least_roughness(double limit) {
    double sum = 0;
    each_moving([&](std::size_t from, std::size_t to) {
      if (sum < limit) sum += smoothest(from, to, anchor_in(from, to), limit - sum).roughness;
    });
    return sum;
  }
  // Those of values[i]; values at standstill have none.
  double edge_s(std::size_t i) const { return edge_s_[i]; }
  long long pulses(std::size_t i) const { return pulses_[i]; }

 private:
  bool slow(std::size_t i) const {
    return !values_[i].steady && period_[i] >= kSlowEnough * report_s_;
  }

  // The stretches without a standstill.
  template <typename Take>
  void each_moving(Take take) {
    std::size_t from = 1;
    for (std::size_t i = 1; i <= values_.size(); ++i) {
      if (i < values_.size() && values_[i].speed > 0) continue;
      if (from < i) take(from, i);
      from = i + 1;
    }
  }

  struct Anchor {
    std::size_t first, last;  // the longest run of slow values; just one value when there is none
    double low, high;         // where the edge of `first` may lie, from its row
  };
  struct Phase {
    double at, roughness;
  };

  Anchor anchor_in(std::size_t from, std::size_t to) const {
    std::size_t first = from, last = from;
    for (std::size_t i = from; i < to; ++i) {
      std::size_t end = i;
      while (end < to && slow(end)) ++end;
      if (end > i && end - i > last - first) first = i, last = end;
      if (end > i) i = end - 1;
    }
    last = std::max(last, first + 1);
    const auto [low, high] = bounds(first, last);
    return {first, last, low, high};
  }

  Phase smoothest(std::size_t from, std::size_t to, const Anchor& anchor, double limit) {
    const double width = anchor.high - anchor.low;
    Phase best{(anchor.low + anchor.high) / 2, limit};
    for (int k = 0; k <= kPhases; ++k) {
      const double phase = anchor.low + width * k / kPhases;
      follow(from, anchor.first, to, phase);
      const double score = roughness(from, to, best.roughness);
      if (score < best.roughness) best = {phase, score};
    }
    return best;
  }

  void place(std::size_t from, std::size_t to) {
    Anchor anchor = anchor_in(from, to);
    const std::size_t near = std::max(from, anchor.first - std::min(anchor.first, kNear));
    const std::size_t far = std::min(to, anchor.last + kNear);
    constexpr double kAny = std::numeric_limits<double>::infinity();
    const double step = (anchor.high - anchor.low) / kPhases;
    anchor.low = smoothest(near, far, anchor, kAny).at - step;
    anchor.high = anchor.low + 2 * step;
    follow(from, anchor.first, to, smoothest(near, far, anchor, kAny).at);
  }

  // Where the edge of `first` may lie, from its row, by what the slow values [first, last) say.
  std::pair<double, double> bounds(std::size_t first, std::size_t last) const {
    double low = -std::min(report_s_, period_[first]), high = 0, after = 0;
    for (std::size_t i = first + 1; i < last; ++i) {
      after += std::max(1.0, std::round(values_[i].since_s / period_[i])) * period_[i];
      const double latest = values_[i].seen_s - values_[first].seen_s - after;
      const double closer = std::max(low, latest - report_s_), further = std::min(high, latest);
      if (closer < further) low = closer, high = further;
    }
    return {low, high};
  }

  // Rows may claim any speed.
  static long long at_least_one(double n) {
    return n > 1 ? static_cast<long long>(std::min(n, 1e9)) : 1;
  }

  // All edges of [from, to), when that of `first` lies at `phase` from its row.
  void follow(std::size_t from, std::size_t first, std::size_t to, double phase) {
    edge_s_[first] = values_[first].seen_s + phase;
    for (std::size_t i = first + 1; i < to; ++i) step_on(i);
    for (std::size_t i = first; i > from; --i) step_back(i - 1);
  }

  void step_on(std::size_t i) {
    const double n = slow(i) ? std::round(values_[i].since_s / period_[i])
                             : std::floor((values_[i].seen_s - edge_s_[i - 1]) / period_[i] + 1e-6);
    pulses_[i] = at_least_one(n);
    edge_s_[i] = edge_s_[i - 1] + static_cast<double>(pulses_[i]) * period_[i];
    // Slow again after a stretch in which the phase got lost: one step takes the blame.
    const double expected = values_[i].seen_s - report_s_ / 2;
    if (!slow(i) || std::fabs(expected - edge_s_[i]) < kMostStray * report_s_) return;
    pulses_[i] = at_least_one(std::round((expected - edge_s_[i - 1]) / period_[i]));
    edge_s_[i] = expected;
  }

  void step_back(std::size_t i) {
    const double n = slow(i + 1)
                         ? std::round(values_[i + 1].since_s / period_[i + 1])
                         : std::ceil((edge_s_[i + 1] - values_[i].seen_s) / period_[i + 1] - 1e-6);
    pulses_[i + 1] = at_least_one(n);
    edge_s_[i] = edge_s_[i + 1] - static_cast<double>(pulses_[i + 1]) * period_[i + 1];
  }

  double roughness(std::size_t from, std::size_t to, double limit) const {
    return roughness_of(values_, from, to, limit, [this](std::size_t i) {
      return edge_s_[i] - static_cast<double>(pulses_[i]) * period_[i] / 2;
    });
  }

  static constexpr std::size_t kNear = 60;  // values about the slow ones that choose the phase
  static constexpr int kPhases = 24;
  std::span<const NewValue> values_;
  double report_s_;
  std::vector<double> period_, edge_s_;
  std::vector<long long> pulses_;
};

// Where too few rows are slow: the number of pulses with which the values follow each other by far
// more smoothly than as means over their rows, and than with any other number. Some dozen values of
// a steep change tell it; where the speed hardly changes, nothing hangs on it.
constexpr std::size_t kTellingValues = 30;  // on either side of the slowest
constexpr std::size_t kLeastTelling = 16;   // fewer can be smooth by chance

constexpr std::array kUsualDiscs = {1,  2,  3,  4,  5,  6,  8,  10, 12, 15,
                                    16, 18, 20, 24, 30, 36, 40, 60, 120};

std::span<const NewValue> about_slowest(std::span<const NewValue> values) {
  std::size_t slowest = 1;
  for (std::size_t i = 1; i < values.size(); ++i)
    if (values[i].speed > 0 && values[i].speed < values[slowest].speed) slowest = i;
  const std::size_t from = slowest - std::min(slowest, kTellingValues);
  return values.subspan(from, std::min(2 * kTellingValues, values.size() - from));
}

bool steep(std::span<const NewValue> values) {
  std::vector<double> changes;
  for (std::size_t i = 1; i < values.size(); ++i)
    changes.push_back(std::fabs(values[i].speed - values[i - 1].speed) /
                      std::max({values[i].speed, values[i - 1].speed, 1e-9}));
  return median(std::move(changes)) > kSteep;
}

int pulses_by_smoothness(std::span<const NewValue> all, double slowest_rpm, double report_s) {
  const std::span<const NewValue> values = about_slowest(all);
  if (values.size() < kLeastTelling || !steep(values)) return 0;
  const double rows = roughness_of(values, 1, values.size(), 1e300, [&](std::size_t i) {
    return values[i].seen_s - values[i].since_s / 2;
  });
  double changes = 0;
  for (std::size_t i = 3; i + 2 < values.size(); ++i)
    changes += std::fabs(values[i].speed - values[i - 1].speed);
  if (rows < kSmoothAsRows * changes) return 0;
  double best = kFarSmoother * rows, next = best / kSmootherThanOthers;
  int pulses = 0;
  const int most = most_pulses(slowest_rpm, report_s / (kCloseReports * kSlowEnough));
  for (const int candidate : kUsualDiscs) {
    const double pitch = 2 * kPi / candidate;
    if (candidate > most || explained(values, pitch, report_s) == Verdict::kContradicted) continue;
    const double roughness = Placement(values, pitch, report_s).least_roughness(next);
    if (roughness < best) {
      if (pulses != 0) next = best;
      best = roughness;
      pulses = candidate;
    } else {
      next = std::min(next, roughness);
    }
  }
  return best < kSmootherThanOthers * next ? pulses : 0;
}

}  // namespace

EdgeTrace edges_from_rows(std::span<const double> time_s, std::span<const double> rpm,
                          int known_pulses) {
  EdgeTrace edges;
  const double row_s = usual_step(time_s);
  const std::size_t slowest = slowest_row(rpm);
  if (!(row_s > 0) || slowest == rpm.size()) return edges;
  if (known_pulses == 0 && contradicted_where_slow(time_s, rpm, slowest, row_s)) return edges;
  const std::vector<NewValue> values = new_values(time_s, rpm);
  if (values.size() < kLeastValues) return edges;
  const double report_s = report_interval(values, row_s);
  int pulses = known_pulses;
  if (pulses == 0) pulses = pulses_per_turn(values, most_pulses(rpm[slowest], report_s), report_s);
  if (pulses == 0) pulses = pulses_by_smoothness(values, rpm[slowest], report_s);
  if (pulses != 0 && explained(values, 2 * kPi / pulses, report_s) == Verdict::kContradicted)
    pulses = 0;
  if (pulses == 0) return edges;
  edges.pulses_per_turn = pulses;
  edges.recovered = true;
  Placement placement(values, 2 * kPi / pulses, report_s);
  placement.place();
  long long count = 0;
  for (std::size_t i = 1; i < values.size(); ++i) {
    if (!(values[i].speed > 0)) continue;
    count += placement.pulses(i);
    if (!edges.time_s.empty() && placement.edge_s(i) <= edges.time_s.back()) continue;
    edges.time_s.push_back(placement.edge_s(i));
    edges.count.push_back(count);
    edges.row_s.push_back(values[i].seen_s);
  }
  return edges;
}

}  // namespace loadline
