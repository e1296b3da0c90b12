#include "fit/spin_ups/run_up_stretch.h"

#include <algorithm>
#include <cmath>
#include <numeric>

#include "db/basis/units.h"
#include "fit/readings/noise/noise.h"
#include "fit/readings/readings.h"
#include "fit/readings/speeds/speed_rows.h"
#include "fit/spin_ups/spin_up_constants.h"
#include "fit/spin_ups/winding_warmth.h"

namespace loadline {
namespace {

using namespace spin_up_chosen;

constexpr Prior kAnyAngle{1.5, 2};  // rad: periods of one pulse or many
constexpr double kAnyLate = 1e300;
constexpr std::size_t kSlowest = 12;  // of the moving values, to tell how wide slots can be

struct Supply {
  std::vector<double> time_s, volts;
};

// What the channel says once its own averaging has followed the switch (it climbs for some tenths
// of a second, the mains does not), until the switch falls again.
Supply settled_supply(const Readings& readings) {
  std::vector<double> known;
  for (const double v : readings.supply_all_v)
    if (std::isfinite(v)) known.push_back(v);
  if (known.empty()) return {};
  const double half = *std::max_element(known.begin(), known.end()) / 2;
  std::erase_if(known, [&](double v) { return v < half; });
  const double on = kOnShare * median(known);
  Supply supply;
  for (std::size_t i = 0; i < readings.supply_all_v.size(); ++i) {
    if (!(readings.supply_all_v[i] >= on)) continue;
    supply.time_s.push_back(readings.supply_time_s[i]);
    supply.volts.push_back(readings.supply_all_v[i]);
  }
  if (supply.time_s.empty()) return supply;
  const double on_s = supply.time_s.back() - supply.time_s.front();
  const double from_s = supply.time_s.front() + std::min(kSettling_s, on_s / 3);
  const auto unsettled =
      std::lower_bound(supply.time_s.begin(), supply.time_s.end(), from_s) - supply.time_s.begin();
  supply.time_s.erase(supply.time_s.begin(), supply.time_s.begin() + unsettled);
  supply.volts.erase(supply.volts.begin(), supply.volts.begin() + unsettled);
  return supply;
}

// Means over a quarter of a second to both sides, evenly over the stretch; before the channel has
// settled what it says first.
void set_volts(RunUp& run, const Supply& supply, double origin_s, double reference_v) {
  const auto count = static_cast<std::size_t>(std::ceil(run.length_s / kSupplyStep)) + 1;
  for (std::size_t i = 0; i < count; ++i) {
    const double share = static_cast<double>(i) / static_cast<double>(count - 1);
    const double t =
        std::clamp(origin_s + share * run.length_s, supply.time_s.front(), supply.time_s.back());
    const auto first =
        std::lower_bound(supply.time_s.begin(), supply.time_s.end(), t - kSupplyReach);
    const auto last = std::upper_bound(first, supply.time_s.end(), t + kSupplyReach);
    const auto from = supply.volts.begin() + (first - supply.time_s.begin());
    const double sum = std::accumulate(from, from + (last - first), 0.0);
    run.volts.push_back(sum / static_cast<double>(std::max<std::ptrdiff_t>(1, last - first)) /
                        reference_v);
  }
}

// Where the motor's own push ends: the last window before the supply falls away; where nothing
// tells of the switch, the fastest window. A flywheel turns on for long after it.
std::size_t end_of_push(const SpeedTrace& trace, const Supply& supply) {
  std::size_t until = trace.speed.size();
  if (!supply.time_s.empty())
    while (until > 0 && trace.end_s[until - 1] > supply.time_s.back()) --until;
  if (until < trace.speed.size()) return until;
  const auto fastest = std::max_element(trace.speed.begin(), trace.speed.end());
  return static_cast<std::size_t>(fastest - trace.speed.begin()) + 1;
}

// Takes windows [from, until) up, neighbours joined while the speed hardly changes within them: a
// mean over both is as exact, and what is fitted stays some hundred values however long the run.
void take_windows(RunUp& run, const SpeedTrace& trace, std::size_t from, std::size_t until) {
  const double origin = trace.start_s[from];
  const double gain = kJoinedGain * trace.speed[until - 1];
  const double longest = kJoinedShare * (trace.end_s[until - 1] - origin);
  for (std::size_t i = from; i < until;) {
    const double start = trace.start_s[i], speed = trace.speed[i];
    double angle = 0, time = 0, end;
    do {
      angle += trace.speed[i] * trace.window_s(i);
      time += trace.window_s(i);
      end = trace.end_s[i];
      ++i;
    } while (i < until && trace.speed[i] < speed + gain && trace.end_s[i] - start < longest &&
             trace.start_s[i] - end < 1e-9);
    run.start_s.push_back(start - origin);
    run.end_s.push_back(end - origin);
    run.speed.push_back(angle / time);
  }
  run.length_s = run.end_s.back();
}

// How four neighbours miss any parabola, and the same of an edge's place in each of them: the third
// divided difference, scaled so that it scatters as single values do.
struct Missed {
  double by_speed = 0, by_place = 0;
};

Missed missed_parabola(const SpeedTrace& trace, std::size_t i) {
  const double gain =
      (trace.speed[i + 3] - trace.speed[i]) / (trace.middle_s(i + 3) - trace.middle_s(i));
  double sum = 0, squares = 0, places = 0;
  for (std::size_t a = i; a < i + 4; ++a) {
    double weight = 1;
    for (std::size_t b = i; b < i + 4; ++b)
      if (b != a) weight /= trace.middle_s(a) - trace.middle_s(b);
    sum += weight * trace.speed[a];
    squares += weight * weight;
    places += std::pow(weight * gain / trace.speed[a], 2);
  }
  return {sum / std::sqrt(squares), std::sqrt(places / squares)};
}

// Windows of imported rows end where an edge was, anywhere within a slot. How wide these can be,
// as standard deviation of a place: the likeliest by the slowest values, whose scatter it would
// make, and its own uncertainty on top. Nothing is left where a file holds instants or true means.
double slot_sd(const SpeedTrace& trace, std::size_t from, std::size_t until) {
  std::vector<Missed> slow;
  std::vector<double> fast;
  for (std::size_t i = from; i + 3 < until; ++i) {
    const Missed missed = missed_parabola(trace, i);
    if (slow.size() < kSlowest) slow.push_back(missed);
    if (i > (from + until) / 2) fast.push_back(missed.by_speed);
  }
  const double noise = std::max(robust_sd(fast), 1e-4 * trace.speed[until - 1]);
  const auto loss = [&](double sd) {
    double sum = 2 * std::log(1 + std::pow(sd / kUsualSlotSd, 2));
    for (const Missed& missed : slow) {
      const double variance = noise * noise + std::pow(sd * missed.by_place, 2);
      sum += std::log(variance) + missed.by_speed * missed.by_speed / variance;
    }
    return sum;
  };
  constexpr int kSteps = 60;
  std::vector<double> losses;
  const auto width = [](int k) { return kWidestSlotSd * std::pow(1.12, k - kSteps); };
  for (int k = 0; k <= kSteps; ++k) losses.push_back(loss(width(k)));
  const auto likeliest = std::min_element(losses.begin(), losses.end());
  auto widest = likeliest;
  while (widest + 1 != losses.end() && *(widest + 1) < *likeliest + 1) ++widest;
  return width(static_cast<int>(widest - losses.begin()));
}

// Displays that take means reach back by what only the fit finds: of their windows the end counts.
bool finds_window(RowReading reading) {
  return reading == RowReading::kMeanOfTurns || reading == RowReading::kMeanOverTime;
}
bool smooths(RowReading reading) {
  return reading == RowReading::kSmoothedTurns || reading == RowReading::kSmoothedOverTime;
}
// Of such a turn, too, only the moment of the row is known.
bool ends_at_row(RowReading reading) {
  return finds_window(reading) || reading == RowReading::kTurnAgo;
}
bool over_time(RowReading reading) {
  return reading == RowReading::kMeanOverTime || reading == RowReading::kSmoothedOverTime;
}

// Rows as windows of the length that this reading says, and taken up as far as they do not overlap
// too much; neighbours joined as above.
bool take_rows(RunUp& run, const SpeedRows& rows, double from_s, double until_s,
               RowReading reading) {
  SpeedTrace trace, sound;
  for (std::size_t i = 0; i < rows.size(); ++i) {
    if (rows.repeat[i]) continue;
    sound.end_s.push_back(rows.time_s[i]);
    sound.speed.push_back(rows.speed[i]);
  }
  sound.start_s = sound.end_s;
  drop_spikes(sound);
  std::vector<double> shown_s, shown_before;
  double since = -1e300, last = 0;
  for (std::size_t i = 0; i < rows.size(); ++i) {
    const double shown = rows.time_s[i], value_before = last;
    double before = since;
    if (rows.repeat[i]) continue;
    if (i > 0 && reading == RowReading::kBetweenRows) before = rows.time_s[i - 1];
    const double end = over_time(reading) ? rows.came_at(i) : shown;
    since = end;
    last = rows.speed[i];
    if (!std::binary_search(sound.end_s.begin(), sound.end_s.end(), shown)) continue;
    if (shown <= from_s || shown > until_s || before < -1e299 || !(rows.speed[i] > 0)) continue;
    trace.start_s.push_back(reading == RowReading::kMeanOverTime ? end - kSpan_s
                            : smooths(reading)
                                ? before
                                : window_start(reading, before, end, rows.speed[i], rows.row_s));
    shown_s.push_back(shown);
    shown_before.push_back(value_before);
    trace.end_s.push_back(end);
    trace.speed.push_back(rows.speed[i]);
  }
  if (trace.speed.size() < 12) return false;
  const double top = *std::max_element(trace.speed.begin(), trace.speed.end());
  const double origin = from_s;  // the same for all readings
  // The same for all readings, so that they hold the same values.
  const double longest = kJoinedShare * (until_s - from_s);
  double taken = -1e300;
  for (std::size_t i = 0; i < trace.speed.size();) {
    const std::size_t first = i;
    double sum = 0;
    do {
      sum += trace.speed[i];
      ++i;
    } while (i < trace.speed.size() &&
             std::fabs(trace.speed[i] - trace.speed[first]) < kJoinedGain * top &&
             shown_s[i] - shown_s[first] < longest);
    const auto count = static_cast<double>(i - first);
    double start = trace.start_s[first], end = trace.end_s[i - 1];
    if (count > 1 && (ends_at_row(reading) || smooths(reading))) {
      end = (trace.end_s[first] + trace.end_s[i - 1]) / 2;
      if (ends_at_row(reading)) start = end - (trace.end_s[first] - trace.start_s[first]);
    } else if (count > 1) {  // the mean of means
      const double half = (trace.end_s[i - 1] - trace.end_s[first]) / (count - 1) / 2;
      start = trace.middle_s(first) - half;
      end = trace.middle_s(i - 1) + half;
    }
    const double turn = 2 * kPi / trace.speed[first];
    if (shown_s[i - 1] - taken < (1 - kOverlap) * turn) continue;
    taken = shown_s[i - 1];
    run.start_s.push_back(start - origin);
    run.end_s.push_back(end - origin);
    run.speed.push_back(sum / count);
    if (smooths(reading)) run.shown_before.push_back(shown_before[first]);
  }
  run.length_s = *std::max_element(run.end_s.begin(), run.end_s.end());
  run.slot_sd = slot_sd(trace, 0, trace.speed.size());
  return run.speed.size() >= 10;
}

// How old an edge is goes with the speed there: where a window begins the shaft is slower than
// where it ends, the more so the closer to standstill. Windows of a stated length end at one edge.
void set_ages(RunUp& run, bool between) {
  const std::size_t n = run.speed.size();
  run.age_start_s.resize(n);
  run.age_end_s.resize(n);
  const auto middle = [&](std::size_t i) { return (run.start_s[i] + run.end_s[i]) / 2; };
  for (std::size_t i = 0; i < n; ++i) {
    const std::size_t a = i + 1 < n ? i : i - 1;
    const double gain =
        std::max(0.0, (run.speed[a + 1] - run.speed[a]) / (middle(a + 1) - middle(a)));
    const double half = gain * (run.end_s[i] - run.start_s[i]) / 2;
    const double slow = std::max(run.speed[i] - half, kSlowestOfWindow * run.speed[i]),
                 fast = std::min(run.speed[i] + half, 2 * run.speed[i]);
    run.age_end_s[i] = 1 / fast;
    run.age_start_s[i] = 1 / (between ? slow : fast);
  }
}

// What a radian of an edge's place is in speed goes with the acceleration.
void set_place_sd(RunUp& run) {
  run.place_sd.assign(run.speed.size(), 0.0);
  if (!(run.slot_sd > 0)) return;
  for (std::size_t i = 0; i < run.speed.size(); ++i)
    if (const auto push = next_push(run, i))
      run.place_sd[i] = run.slot_sd * push->torque / run.inertia.mean *
                        std::hypot(run.age_start_s[i], run.age_end_s[i]) / std::sqrt(2);
  for (std::size_t i = 0; i < run.sooner.size(); ++i)
    run.place_sd[i] *= std::max(1 - run.sooner[i] / kPi, kLeastAge);
}

}  // namespace

namespace {

std::optional<RunUp> cut_run_up(const Readings& readings, double reference_v, bool by_rows,
                                RowReading reading) {
  const SpeedTrace& trace = readings.motor;
  const double total =
      readings.run.inertia_kgm2.value_or(0) + readings.run.added_inertia_kgm2.value_or(0);
  if (trace.speed.size() < 14 || !(total > 0)) return std::nullopt;
  RunUp run;
  run.run = readings.run.id;
  run.inertia = {total, readings.run.inertia_sd_kgm2.value_or(1e-6 * total)};
  const double top = *std::max_element(trace.speed.begin(), trace.speed.end());
  // The first moving window reaches back into standstill (one without an edge may say 0 on the way
  // up too), and before the first of a table's windows is a row of its own; after the top is
  // reached the run goes on for as long again at most, and not beyond the switch.
  std::size_t from = 0, reached = 0;
  for (; reached < trace.speed.size() && trace.speed[reached] < 0.98 * top; ++reached)
    if (trace.speed[reached] < 0.01 * top) from = reached + 1;
  const bool table = !trace.from_edges && readings.motor_rows.size() > 0;
  if (!table)
    from += 2;
  else if (from > 0 || readings.motor_rows.speed.front() < 0.01 * top)
    ++from;
  const Supply supply = settled_supply(readings);
  const std::size_t until =
      std::min(end_of_push(trace, supply), 2 * reached - std::min(from, reached));
  if (from + 10 > until) return std::nullopt;
  double origin = trace.start_s[from];
  if (by_rows) {
    const double end = trace.end_s[until - 1];
    if (!take_rows(run, readings.motor_rows, origin, end, reading)) return std::nullopt;
  } else {
    take_windows(run, trace, from, until);
    run.slot_sd = trace.from_edges ? 0 : slot_sd(trace, from, until);
  }
  run.weight.assign(run.speed.size(), 1.0);
  run.begins_with_first = table && readings.motor_rows.speed.front() > 0.01 * top;
  if (reading == RowReading::kAtRows) run.slot_sd = 0;  // a voltage knows no edges
  run.late = reading == RowReading::kAngleAgo ? kAnyAngle
                                              : Prior{kAge * run.slot_sd, kAgeSd * run.slot_sd};
  if (reading == RowReading::kTurnAgo) {
    run.late = {kTurnsLate, kTurnsLateSd};
    run.made = RunUp::Made::kTurnAgo;
    run.sooner.reserve(run.speed.size());
    run.latest.reserve(run.speed.size());
    double turns = 1;  // the first value is none of these
    for (std::size_t i = 0; i < run.speed.size(); ++i) {
      const double since = i > 0 ? run.end_s[i] - run.end_s[i - 1] : 0;
      turns += std::max(1.0, run.speed[i] * since / (2 * kPi));
      const double age = std::min(kPi, run.speed[i] * readings.motor_rows.row_s / 2);
      run.sooner.push_back(kPi - age);
      // Of two turns the later one is shown, of three or four the one before.
      const double most = 2 * kPi * std::floor((turns - 1) / 2) + age;
      run.latest.push_back(run.begins_with_first ? most : kAnyLate);
    }
  }
  if (!trace.from_edges) run.late.sd = std::hypot(run.late.sd, kLateAnyway);
  if (over_time(reading)) run.late = {0, 0};
  run.span = reading == RowReading::kMeanOfTurns || reading == RowReading::kSmoothedTurns
                 ? Prior{0, kSpanTurnsLogSd}
             : over_time(reading) ? Prior{0, kSpanLogSd}
                                  : Prior{0, 0};
  if (smooths(reading)) {
    run.made = over_time(reading) ? RunUp::Made::kSmoothedOverTime : RunUp::Made::kSmoothedTurns;
  }
  set_ages(run, reading == RowReading::kBetweenValues || reading == RowReading::kBetweenRows);
  set_place_sd(run);
  run.noise_sd = 0.01 * top;
  if (!supply.time_s.empty() && reference_v > 0) {
    set_volts(run, supply, origin, reference_v);
  } else if (std::isfinite(readings.mean_supply_v()) && reference_v > 0) {
    run.volts = {readings.mean_supply_v() / reference_v};
  }
  return run;
}

}  // namespace

std::optional<RunUp> make_run_up(const Readings& readings, double reference_v, RowReading reading) {
  return cut_run_up(readings, reference_v, reading != RowReading::kBetweenValues, reading);
}

std::optional<RunUp> without_start(const RunUp& run, double share) {
  const double least = share * run.speed.back();
  std::size_t from = 0;
  for (std::size_t i = 0; i < run.speed.size(); ++i)
    if (run.speed[i] < least) from = i + 1;
  if (from + 12 > run.speed.size()) return std::nullopt;
  RunUp later = run;
  for (std::vector<double>* of :
       {&later.start_s, &later.end_s, &later.speed, &later.place_sd, &later.weight,
        &later.age_start_s, &later.age_end_s, &later.shown_before, &later.sooner, &later.latest})
    if (!of->empty()) of->erase(of->begin(), of->begin() + static_cast<std::ptrdiff_t>(from));
  return later;
}

std::optional<RunUp> make_plain_run_up(const Readings& readings, double reference_v) {
  return cut_run_up(readings, reference_v, true, RowReading::kBetweenValues);
}

}  // namespace loadline
