#include "fit/brake_runs/sweeps/sweep.h"

#include <algorithm>
#include <cmath>

#include "db/basis/units.h"
#include "fit/brake_runs/sweeps/brake_constants.h"
#include "fit/brake_runs/sweeps/plateaus.h"
#include "fit/brake_runs/sweeps/torque_balance.h"
#include "fit/readings/noise/noise.h"

namespace loadline {
namespace {

using namespace brake_chosen;

constexpr std::size_t kLeastMeans = 16;

Prior inertia_prior(const Run& run) {
  if (!run.inertia_kgm2) return {0, kUnknownInertiaSd};
  const double total = *run.inertia_kgm2;
  return {total, run.inertia_sd_kgm2.value_or(std::max(kGivenInertiaSd * total, 1e-9))};
}

// Of a file's speeds against the middle of the time since the row before: by what its owner says of
// the tachometer. An edge is up to a slot old when a row is written.
Prior turns_late(const Run& run) {
  const double slot = run.tachometer_pulses ? 1 / *run.tachometer_pulses : 2 * kTurnsLate;
  const Prior age{slot / 2, std::max(kKnownTurnsSd, slot / std::sqrt(12))};
  if (!run.tachometer) return {kTurnsLate, kTurnsLateSd};
  switch (*run.tachometer) {
    case Tachometer::kReciprocal:
      return age;
    case Tachometer::kPeriod:
      return {0.5 + age.mean, std::hypot(age.sd, kTurnsLateSd / 2)};
    case Tachometer::kGate:
    case Tachometer::kAnalogue:
      return {0, kKnownTurnsSd};
    case Tachometer::kDisplay:
      break;
  }
  return {kTurnsLate, kTurnsLateSd};
}

void describe_motion(Sweep& sweep) {
  std::vector<double> sizes;
  double rising = 0;
  for (const SweepRow& row : sweep.rows) {
    sizes.push_back(std::fabs(row.acceleration));
    rising += row.acceleration > 0 ? 1 : 0;
  }
  sweep.acceleration_scale = median(std::move(sizes));
  if (!sweep.rows.empty()) sweep.rising_share = rising / static_cast<double>(sweep.rows.size());
}

// How often the speed goes most of the way between its lowest and highest, as a rule of time.
double one_way_s(const std::vector<SweepRow>& rows) {
  if (rows.size() < 3) return 0;
  std::vector<double> speeds;
  speeds.reserve(rows.size());
  for (const SweepRow& row : rows) speeds.push_back(row.speed);
  std::sort(speeds.begin(), speeds.end());
  const std::size_t trim = speeds.size() / 50;
  const double low = speeds[trim], high = speeds[speeds.size() - 1 - trim];
  int ways = 0, side = 0;  // below the lower or above the upper quarter of the range
  for (const SweepRow& row : rows) {
    const double place = (row.speed - low) / std::max(high - low, 1e-9);
    const int now = place < 0.25 ? -1 : place > 0.75 ? 1 : side;
    if (side != 0 && now != side) ++ways;
    side = now;
  }
  return (rows.back().time_s - rows.front().time_s) / std::max(1, ways);
}

// A run that begins with switching on: the motor runs up within some tenths of a second, too
// quickly for a smooth speed. What comes before it first reaches its running speed is left out.
void drop_run_up(std::vector<SweepRow>& rows) {
  if (rows.size() < 50) return;
  double top = 0;
  for (const SweepRow& row : rows) top = std::max(top, row.speed);
  if (rows.front().speed > 0.3 * top) return;
  const auto reached = std::find_if(rows.begin(), rows.end(),
                                    [&](const SweepRow& row) { return row.speed > 0.9 * top; });
  const double took = reached == rows.end() ? 1e9 : reached->time_s - rows.front().time_s;
  if (took > kLongestRunUp) return;  // a sweep from below, not a motor running up
  const double settled = reached->time_s + 0.5 * took;
  rows.erase(rows.begin(), std::find_if(reached, rows.end(), [&](const SweepRow& row) {
               return row.time_s >= settled;
             }));
}

// The part of the powered time that has passed.
void set_shares(std::vector<SweepRow>& rows) {
  if (rows.size() < 2) return;
  const double first = rows.front().time_s, span = rows.back().time_s - first;
  for (SweepRow& row : rows) row.share = span > 0 ? (row.time_s - first) / span : 0;
}

// The winding's losses go with I², and in a series motor I² goes about with torque: heating so far
// is the running sum of torque over time. Losses at speed and cooling bend that course; the problem
// has a second one, even in time, and the data weigh the two.
void set_warmth(std::vector<SweepRow>& rows) {
  double sum = 0, mean = 0;
  for (std::size_t i = 0; i < rows.size(); ++i) {
    // A pause between rows is not heating at the rate of its ends.
    const double step = i == 0 ? 0 : std::min(rows[i].time_s - rows[i - 1].time_s, 0.5);
    sum += std::max(0.0, rows[i].torque) * step;
    rows[i].warmth = sum;
    mean += sum / static_cast<double>(rows.size());
  }
  for (SweepRow& row : rows) row.warmth = sum > 0 ? (row.warmth - mean) / sum : 0;
}

// The mains move slowly, the channel's last digit does not: the mean of a quarter second either way
// (over fewer rows where some have no value). Only values of at least
// `least_v` count. Empty when the run has no such channel.
std::vector<double> smooth_supply(const Readings& readings, double least_v) {
  const std::size_t n = readings.supply_v.size();
  std::vector<double> smooth(n, std::nan(""));
  double sum = 0;
  std::size_t first = 0, last = 0, used = 0;
  const auto count = [&](std::size_t i, int sign) {
    if (!(readings.supply_v[i] >= least_v)) return;  // off, or no value
    sum += sign * readings.supply_v[i];
    used += static_cast<std::size_t>(sign);
  };
  for (std::size_t i = 0; i < n; ++i) {
    for (; last < n && readings.time_s[last] <= readings.time_s[i] + kSupplyReach; ++last)
      count(last, 1);
    for (; readings.time_s[first] < readings.time_s[i] - kSupplyReach; ++first) count(first, -1);
    if (used > 0 && !std::isnan(readings.supply_v[i])) smooth[i] = sum / static_cast<double>(used);
  }
  return smooth;
}

// Points typed one by one: each is steady, so that neither lag nor inertia is in it. Their order
// stands for the time in which zero and warmth drift.
void take_points(Sweep& sweep, const std::vector<SteadyPoint>& points) {
  for (const SteadyPoint& point : points) {
    if (!(point.motor >= 0) || std::isnan(point.torque)) {
      ++sweep.unplaced;
      continue;
    }
    SweepRow row;
    row.time_s = point.row;
    row.speed = point.motor;
    row.torque = point.torque;
    if (point.torque_sd > 0) row.torque_sd = point.torque_sd;
    if (point.motor_sd > 0) row.speed_sd = point.motor_sd;
    row.volts = std::isnan(point.supply_v) ? sweep.nominal_v : point.supply_v;
    sweep.rows.push_back(row);
  }
  set_shares(sweep.rows);
  set_warmth(sweep.rows);
}

}  // namespace

namespace {

void align_values(Sweep& sweep, const Readings& readings, const SmoothSpeed& speed) {
  double before = speed.trace().empty() ? 0 : speed.trace().speed.front();
  const double least_v = 0.5 * sweep.nominal_v;  // below it the motor is switched off
  const std::vector<double> supply = smooth_supply(readings, least_v);
  for (std::size_t i = 0; i < readings.time_s.size(); ++i) {
    if (!sweep.steady.empty() && std::isnan(sweep.steady[i])) continue;
    const double late = sweep.turns != 0 ? turns_s(sweep.turns, before) : 0;
    const SmoothSpeed::Value motion = speed.at(readings.time_s[i] - sweep.lag_s + late);
    if (!motion.valid || motion.speed < 0) {
      ++sweep.unplaced;
      continue;
    }
    before = motion.speed;
    SweepRow row;
    row.time_s = readings.time_s[i];
    row.speed = sweep.steady.empty() ? motion.speed : sweep.steady[i];
    row.acceleration = sweep.steady.empty() ? motion.acceleration : 0;
    row.torque = readings.torque[i];
    row.stray = !sweep.stray.empty() && sweep.stray[i] != 0;
    if (!supply.empty() && readings.supply_v[i] < least_v) continue;
    row.volts = supply.empty() || std::isnan(supply[i]) ? sweep.nominal_v : supply[i];
    sweep.rows.push_back(row);
  }
  drop_run_up(sweep.rows);
  set_shares(sweep.rows);
  set_warmth(sweep.rows);
  describe_motion(sweep);
  // What is late does not move steps that stand still.
  sweep.one_way_s = sweep.steady.empty() ? one_way_s(sweep.rows) : 0;
  sweep.smooth_s = speed.half_width_s();
  for (const double read : speed.trace().speed) sweep.fastest = std::max(sweep.fastest, read);
  sweep.row_s = std::max(readings.torque_interval_s, speed.trace().interval_s);
}

// Puts means under windows in the place of the values that are aligned.
void average(Sweep& sweep, const Readings& readings, const SmoothSpeed& speed) {
  sweep.values.clear();
  if (sweep.rows.empty()) return;
  const BalanceInput input{readings, speed.trace(), sweep.stray};
  std::vector<SweepRow> means =
      balance_rows(input, {sweep.lag_s, sweep.turns}, sweep.window_s, sweep.nominal_v);
  const double first = sweep.rows.front().time_s, last = sweep.rows.back().time_s;
  std::erase_if(means, [&](const SweepRow& row) {
    return row.time_s - sweep.window_s < first - 0.1 * sweep.window_s || row.time_s > last;
  });
  if (means.size() < kLeastMeans) {
    sweep.window_s = 0;
    return;
  }
  sweep.values = std::move(sweep.rows);
  sweep.rows = std::move(means);
  set_shares(sweep.rows);
  set_warmth(sweep.rows);
}

}  // namespace

void align(Sweep& sweep, const Readings& readings, const SmoothSpeed& speed, double lag_s,
           double turns) {
  sweep.lag_s = lag_s;
  sweep.turns = turns;
  sweep.rows.clear();
  sweep.unplaced = 0;
  if (!readings.points.empty()) {
    sweep.typed = true;
    take_points(sweep, readings.points);
    return;
  }
  align_values(sweep, readings, speed);
  if (sweep.window_s > 0) average(sweep, readings, speed);
}

namespace {

// Keeps of the doubtful values those that lie beyond what is before and after them.
void keep_those_that_stand_out(std::vector<char>& stray, const Readings& readings) {
  const std::vector<double>& torque = readings.torque;
  std::vector<double> steps;
  for (std::size_t i = 1; i < torque.size(); ++i)
    if (!stray[i] && !stray[i - 1]) steps.push_back(torque[i] - torque[i - 1]);
  const double aside = kStandsOut * robust_sd(steps);
  for (std::size_t from = 0; from < stray.size(); ++from) {
    if (!stray[from]) continue;
    std::size_t to = from;
    while (to < stray.size() && stray[to]) ++to;
    const double before = from > 0 ? torque[from - 1] : torque[std::min(to, stray.size() - 1)];
    const double after = to < stray.size() ? torque[to] : before;
    const auto [low, high] = std::minmax(before, after);
    for (std::size_t i = from; i < to; ++i)
      stray[i] = torque[i] < low - aside || torque[i] > high + aside ? 1 : 0;
    from = to;
  }
}

}  // namespace

void take_means(Sweep& sweep, const std::vector<double>& weight, const Readings& readings,
                const SmoothSpeed& speed) {
  if (!readings.points.empty()) return;
  sweep.stray.assign(readings.time_s.size(), 0);
  for (std::size_t i = 0, at = 0; i < sweep.rows.size(); ++i) {
    while (readings.time_s[at] < sweep.rows[i].time_s) ++at;
    if (weight[i] < 0.5) sweep.stray[at] = 1;
  }
  keep_those_that_stand_out(sweep.stray, readings);
  if (sweep.steady.empty())
    sweep.window_s = balance_half_width({readings, speed.trace(), sweep.stray}, sweep.lag_s);
  // A cell that averages evenly is late by half of what it averages over.
  const double even = sweep.lag_s * sweep.lag_s / 3;
  const double steps = readings.torque_interval_s * readings.torque_interval_s +
                       speed.trace().interval_s * speed.trace().interval_s;
  sweep.spread = {even, kSpreadDoubt * even + steps / 12};
  align(sweep, readings, speed, sweep.lag_s, sweep.turns);
}

bool Sweep::one_way() const { return rising_share < kOneWay || rising_share > 1 - kOneWay; }

Sweep make_sweep(const Readings& readings, const SmoothSpeed& speed, const SweepOptions& options) {
  Sweep sweep;
  sweep.run = readings.run.id;
  sweep.run_kind = run_kind_name(readings.run.kind);
  sweep.nominal_v = readings.mean_supply_v();
  sweep.systematics = readings.systematics;
  sweep.clock_relative_sd = readings.clock_relative_sd;
  sweep.duration_s = readings.duration_s;
  sweep.lag = options.correct_lag ? Prior{readings.lag_s, readings.lag_sd_s} : Prior{0, 1e-9};
  if (!readings.points.empty()) sweep.lag = Prior{0, 1e-9};
  sweep.inertia_given = readings.run.inertia_kgm2.has_value();
  sweep.inertia = options.correct_inertia ? inertia_prior(readings.run) : Prior{0, 1e-12};
  const bool of_rows = readings.run.source != RunSource::kRig && readings.points.empty();
  sweep.turn_lag = of_rows && options.correct_lag ? turns_late(readings.run) : Prior{0, 1e-9};
  if (of_rows && options.correct_lag) sweep.steady = steady_speeds(readings, speed.trace());
  // A voltage is of its row's moment, and stands here as a mean since the row before.
  if (of_rows && options.correct_lag && readings.run.tachometer == Tachometer::kAnalogue)
    sweep.lag.mean += speed.trace().interval_s / 2;
  align(sweep, readings, speed, sweep.lag.mean, sweep.turn_lag.mean);
  return sweep;
}

}  // namespace loadline
