#include "fit/coast_downs/motion/coast.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "db/basis/units.h"
#include "db/sound_input.h"
#include "fit/coast_downs/motion/coast_constants.h"
#include "fit/readings/noise/noise.h"
#include "fit/readings/readings.h"
#include "fit/readings/speeds/speed_rows.h"

namespace loadline {
namespace {

using namespace coast_chosen;

constexpr std::size_t kLeastWindows = 8;
// The same of rows of a file, of which all runs together must tell more than what is unknown
// (cut_coasts() in row_readings.cc).
constexpr std::size_t kLeastOfRows = 3;
constexpr std::size_t kLeastSlow = 3;  // windows that tell a deceleration
constexpr std::size_t kTurnsForSlots = 3;
// Pulses from one edge to the next where some in between were lost (four at most are bridged on a
// sound take): the count still tells how far the shaft turned.
constexpr double kMostInWindow = 4.5;

// First window that lies behind the moment at which the shaft was let go. A window that holds this
// moment is a mean of driven and free running, and is left out.
std::size_t release(const std::vector<double>& speed) {
  const double top = *std::max_element(speed.begin(), speed.end());
  std::size_t last = 0;  // still near the top
  for (std::size_t i = 0; i < speed.size(); ++i)
    if (speed[i] >= (1 - kNearTop) * top) last = i;
  if (last == 0 || last + 3 >= speed.size()) return last;  // begins running free
  const double fell = speed[last - 1] - speed[last], falls = speed[last + 1] - speed[last + 2];
  return fell > kHoldsRelease * falls ? last + 1 : last + 2;
}

// The speed with which a shaft begins its last turns, by its deceleration at its lowest speeds.
// What its place does to the torque does not come back in them: it is no ripple, nor does it cancel
// out.
double speed_of_last_turns(const SpeedTrace& trace, std::size_t from, double lowest) {
  const double slow = kSlowPart * trace.speed[from];
  std::size_t first = from;
  while (first < trace.speed.size() && trace.speed[first] > slow) ++first;
  std::size_t last = first;
  while (last + 1 < trace.speed.size() && trace.speed[last + 1] >= lowest) ++last;
  if (last < first + kLeastSlow) return lowest;
  const double slows =
      (trace.speed[first] - trace.speed[last]) / (trace.middle_s(last) - trace.middle_s(first));
  return std::clamp(std::sqrt(2 * slows * kLastTurns * 2 * kPi), lowest, slow);
}

// `pulse`: angle from edge to edge on a sound take, else 0.
void cut_windows(Coast& coast, const SpeedTrace& trace, double pulse) {
  const std::size_t from = release(trace.speed);
  const double lowest = speed_of_last_turns(trace, from, kLowestShare * trace.speed[from]);
  coast.origin_s = trace.start_s[from];
  for (std::size_t i = from; i < trace.speed.size(); ++i) {
    if (trace.speed[i] < lowest) break;
    const double longest =
        std::max({6 * trace.interval_s, 0.15, kMostInWindow * pulse / trace.speed[i]});
    if (trace.window_s(i) > longest) break;
    coast.start_s.push_back(trace.start_s[i] - coast.origin_s);
    coast.end_s.push_back(trace.end_s[i] - coast.origin_s);
    coast.speed.push_back(trace.speed[i]);
  }
}

void cut_edges(Coast& coast, const EdgeTrace& edges, double from_s, double to_s) {
  const double turn = 2 * kPi / edges.pulses_per_turn;
  const auto pulses = static_cast<long long>(std::lround(edges.pulses_per_turn));
  coast.pulses = static_cast<int>(pulses);
  std::optional<long long> first;
  for (std::size_t i = 0; i < edges.time_s.size(); ++i) {
    if (edges.time_s[i] < from_s || edges.time_s[i] > to_s) continue;
    if (!first) first = edges.count[i];
    coast.time_s.push_back(edges.time_s[i] - from_s);
    coast.angle.push_back(static_cast<double>(edges.count[i] - *first) * turn);
    coast.slot.push_back(static_cast<int>(((edges.count[i] % pulses) + pulses) % pulses));
  }
  // Each slot must be seen several times before its place can be told from noise.
  if (pulses > 1 && coast.angle.size() > kTurnsForSlots * static_cast<std::size_t>(pulses) &&
      pulses <= 120)
    coast.slots = static_cast<int>(pulses);
}

// A slow mark stands out less: its flank is long, and a sound input's noise and high-pass are
// strongest at low frequencies.
void set_spread(Coast& coast) {
  const std::size_t n = coast.time_s.size();
  for (std::size_t i = 0; i < n; ++i) {
    const std::size_t a = i > 0 ? i - 1 : 0, b = std::min(i + 1, n - 1);
    const double speed = (coast.angle[b] - coast.angle[a]) / (coast.time_s[b] - coast.time_s[a]);
    coast.spread.push_back(std::hypot(1.0, kSlowNoise * coast.speed_high / speed));
  }
}

// ---- rows of a file --------------------------------------------------------------------------

constexpr std::size_t kMedianOf = 5;       // values whose median tells the course of the speed
constexpr std::size_t kMostValues = 6000;  // beyond: neighbouring windows are joined

// Medians of some neighbours: one coarse or wild value does not end a stretch.
std::vector<double> smoothed(const std::vector<double>& speed) {
  std::vector<double> course(speed.size());
  for (std::size_t i = 0; i < speed.size(); ++i) {
    const std::size_t reach = std::min({kMedianOf / 2, i, speed.size() - 1 - i});
    const auto at = speed.begin() + static_cast<std::ptrdiff_t>(i);
    const auto far = static_cast<std::ptrdiff_t>(reach);
    course[i] = median({at - far, at + far + 1});
  }
  return course;
}

// The rows [from, to) of the free run-down. Where rows were lost, what follows still belongs to it.
struct Stretch {
  std::size_t from = 0, to = 0;
  std::vector<std::size_t> after_gap;
  bool is_after_gap(std::size_t row) const {
    return std::binary_search(after_gap.begin(), after_gap.end(), row);
  }
};

// The shaft was still driven when the recording began: for as long as a tenth of the run-down that
// follows nothing fell. A display that smooths then needs some of it to follow.
bool begins_driven(const std::vector<double>& time_s, const std::vector<double>& course,
                   std::size_t released) {
  std::size_t tenth = released;
  while (tenth + 1 < course.size() && course[tenth] > kHoldsNoTurn * course[released]) ++tenth;
  return time_s[released] - time_s.front() > time_s[tenth] - time_s[released];
}

// After a pause before this row the shaft has slowed down, and not by much of its speed: rows were
// lost, and the run-down goes on.
bool slows_on(const SpeedRows& rows, std::size_t row) {
  return rows.speed[row] < rows.speed[row - 1] && rows.speed[row] > kOverGap * rows.speed[row - 1];
}

Stretch run_down(const SpeedRows& rows) {
  const std::vector<double> course = smoothed(rows.speed);
  const std::size_t released = release(course);
  Stretch stretch{released, 0, {}};
  // A mean over the last turns still holds the release for so long after it.
  while (stretch.from + 1 < rows.size() && course[stretch.from] > kHoldsNoTurn * course[released] &&
         rows.time_s[stretch.from] - 4 * kPi / course[stretch.from] < rows.time_s[released])
    ++stretch.from;
  if (begins_driven(rows.time_s, course, released))
    while (stretch.from + 1 < rows.size() && course[stretch.from] > kHoldsNoTurn * course[released])
      ++stretch.from;
  const double lowest = kLowestShare * course[stretch.from];
  double new_s = rows.time_s[stretch.from];
  for (stretch.to = stretch.from; stretch.to < rows.size(); ++stretch.to) {
    const double speed = course[stretch.to], at = rows.time_s[stretch.to];
    const double longest =
        std::max({6 * rows.look_s, 0.15, kLongestPulse * 2 * kPi / std::max(speed, 1e-3)});
    const bool pause = stretch.to > stretch.from && at - rows.time_s[stretch.to - 1] > longest;
    if (speed < lowest || (pause && !slows_on(rows, stretch.to))) break;
    if (pause) stretch.after_gap.push_back(stretch.to);
    if (!rows.repeat[stretch.to] || pause) new_s = at;
    // Where every value stands for long, digits are coarse; where it suddenly does, nothing comes
    // any more.
    if (at - new_s > 2 * longest) {
      while (stretch.to > stretch.from && rows.repeat[stretch.to]) --stretch.to;
      ++stretch.to;
      break;
    }
  }
  return stretch;
}

// What repeats say of a reading, as −2 ln of their probability. If they are values like all others,
// each is one of a probability density times the least difference of values; if they are old
// values, they come as often as they do.
double deviance_of_repeats(double repeats, double values, const SpeedRows& rows,
                           RowReading reading) {
  if (repeats == 0) return 0;
  const WayToRead way = way_to_read(reading);
  if (way.repeats_are_values && !reads_by_looks(way.over))
    return -2 * repeats * std::log(rows.digit);
  // Of a display that is renewed every so many rows only those between are sure to repeat.
  const double looks =
      (repeats + values) * (reads_by_looks(way.over) ? 1 : rows.row_s / rows.look_s);
  const double unforced = std::max(0.0, looks - values);
  if (unforced < 0.5) return 0;
  const double share = unforced / looks;
  return -2 * (unforced * std::log(share) + values * std::log1p(-share));
}

// Does a display's look fall to this row? Where looks are no rarer than rows, to each.
bool is_look(const SpeedRows& rows, std::size_t row) {
  if (row == 0) return true;
  if (!rows.came_s.empty()) return rows.came_s[row] - rows.came_s[row - 1] > rows.look_s / 2;
  const auto between = static_cast<std::size_t>(std::lround(rows.look_s / rows.row_s));
  if (between <= 1) return true;
  const auto first = std::find(rows.repeat.begin() + 1, rows.repeat.end(), false);
  return row % between == static_cast<std::size_t>(first - rows.repeat.begin()) % between;
}

// Windows [start, end] of the values in the stretch by this reading; false where it has none.
bool read_rows(Coast& coast, const SpeedRows& rows, const EdgeTrace& edges, const Stretch& stretch,
               RowReading reading) {
  if (reading == RowReading::kEdges && !edges.recovered) return false;
  if (reading == RowReading::kCounts && !(rows.count > 0)) return false;
  const bool by_looks = reads_by_looks(way_to_read(reading).over);
  std::size_t edge = 0;
  double since = 0, repeats = 0, shown = 0;
  bool first = true;
  for (std::size_t i = stretch.from; i < stretch.to; ++i) {
    // Nobody saw when the first value after a gap came up, nor since when.
    first = first || stretch.is_after_gap(i);
    if (by_looks && !is_look(rows, i)) continue;
    if (rows.repeat[i] && !way_to_read(reading).repeats_are_values) {
      repeats += first ? 0 : 1;
      continue;
    }
    repeats += rows.repeat[i] ? 1 : 0;
    double end = rows.came_at(i);
    const double before = std::exchange(since, end);
    const double shown_before = std::exchange(shown, rows.speed[i]);
    if (first) {
      first = false;
      continue;
    }
    coast.series.window_s.push_back(end - before);
    coast.series.time_s.push_back(end);
    if (by_looks) coast.before.push_back(shown_before);
    // A turn ended between the row before and this one, within the time of a turn.
    if (reads_by_turns(way_to_read(reading).over) && i > 0)
      end -= std::min(end - rows.time_s[i - 1], 2 * kPi / std::max(rows.speed[i], 1e-6)) / 2;
    double start = window_start(reading, before, end, rows.speed[i], rows.row_s);
    if (reading == RowReading::kEdges) {
      while (edge < edges.row_s.size() && edges.row_s[edge] < rows.time_s[i]) ++edge;
      if (edge == 0 || edge >= edges.row_s.size() || edges.row_s[edge] != rows.time_s[i])
        return false;
      end = edges.time_s[edge];
      start = edges.time_s[edge - 1];
    }
    coast.start_s.push_back(start);
    coast.end_s.push_back(end);
    coast.speed.push_back(rows.speed[i]);
  }
  // Counts in a gate repeat now and then; where nothing does, they are not the only ones to count.
  if (way_to_read(reading).repeats_are_values && reading != RowReading::kAtRows && !by_looks &&
      reading != RowReading::kCounts &&
      repeats < kLeastRepeats * static_cast<double>(coast.speed.size()))
    return false;
  coast.held = by_looks ? repeats : 0;
  coast.repeats_deviance = deviance_of_repeats(
      repeats, static_cast<double>(coast.speed.size()) - coast.held, rows, reading);
  return true;
}

constexpr std::size_t kMostOfDisplay = 1500;  // values that a display takes on in a run-down

// Where turns take longer than rows, does each bring one new value? False where fewer or more come:
// then it is not turns that the display works on.
bool new_at_each_turn(const SpeedRows& rows, const Stretch& stretch) {
  constexpr double kRowsInTurn = 1.5, kLeastTurns = 5, kFewest = 0.7, kMost = 1.2;
  double turns = 0, values = 0;
  for (std::size_t i = stretch.from + 1; i < stretch.to; ++i) {
    const double passed = rows.speed[i] / (2 * kPi) * (rows.time_s[i] - rows.time_s[i - 1]);
    if (passed * kRowsInTurn > 1) continue;
    turns += passed;
    values += rows.repeat[i] ? 0 : 1;
  }
  return turns < kLeastTurns || (values > kFewest * turns && values < kMost * turns + 1);
}

std::optional<Coast> coast_of_rows(const Readings& readings, const SpeedRows& rows,
                                   const EdgeTrace& edges, RowReading reading) {
  if (rows.size() < kLeastWindows) return std::nullopt;
  const Stretch stretch = run_down(rows);
  if (stretch.to - stretch.from < kLeastOfRows || stretch.to - stretch.from > kMostValues)
    return std::nullopt;
  Coast coast;
  coast.run = readings.run.id;
  coast.added_kgm2 = readings.run.added_inertia_kgm2.value_or(0);
  coast.from_rows = true;
  coast.row_s = rows.row_s;
  coast.look_s = rows.look_s;
  coast.windows_exact = reading == RowReading::kEdges;
  coast.display = rows.look_s > 1.5 * rows.row_s;
  coast.ends_known = reading == RowReading::kEdges || reading == RowReading::kBetweenRows ||
                     reading == RowReading::kCounts;
  if (reading == RowReading::kCounts) coast.count = rows.count * rows.row_s;
  const WayToRead way = way_to_read(reading);
  coast.oldest_s = way.repeats_are_values ? 0 : rows.look_s / 2;
  if (way.has_age && (way.over == WayToRead::Over::kInstant || way.repeats_are_values))
    coast.oldest_s = kOldest;
  if (!read_rows(coast, rows, edges, stretch, reading)) return std::nullopt;
  if (coast.speed.size() < kLeastOfRows) return std::nullopt;
  coast.over = way.over;
  coast.turns = way.turns;
  if (reading == RowReading::kEdges)
    coast.pulses = static_cast<int>(std::lround(edges.pulses_per_turn));
  if (reads_by_turns(way.over)) {
    if (coast.size() > kMostOfDisplay) return std::nullopt;
    if (!new_at_each_turn(rows, stretch)) return std::nullopt;
    coast.oldest_s = kFurthestTurns * 2 * kPi / coast.speed.front();
  }
  if (coast.by_looks() && coast.size() > kMostOfDisplay) return std::nullopt;
  const double reach = coast.by_looks() ? kOldest : 0;
  coast.origin_s =
      *std::min_element(coast.start_s.begin(), coast.start_s.end()) - coast.oldest_s - reach;
  for (std::vector<double>* times : {&coast.start_s, &coast.end_s})
    for (double& time : *times) time -= coast.origin_s;
  coast.length_s = *std::max_element(coast.end_s.begin(), coast.end_s.end());
  const std::vector<double> course = smoothed(coast.speed);
  coast.speed_high = course.front();
  coast.speed_low = *std::min_element(course.begin(), course.end());
  if (!(coast.speed_low < 0.9 * coast.speed_high)) return std::nullopt;
  for (const double speed : course) coast.series.speed.push_back(speed / coast.speed_high);
  coast.series.weight.assign(coast.size(), 1.0);
  coast.weight.assign(coast.size(), 1.0);
  return coast;
}

}  // namespace

bool any_from_rows(const std::vector<Coast>& coasts) {
  return std::any_of(coasts.begin(), coasts.end(),
                     [](const Coast& coast) { return coast.from_rows; });
}

std::optional<Coast> make_coast(const Readings& readings, bool of_motor, RowReading reading) {
  const bool by_motor = of_motor || readings.handwheel.empty();
  const SpeedTrace& trace = by_motor ? readings.motor : readings.handwheel;
  const EdgeTrace& edges = by_motor ? readings.motor_edges : readings.handwheel_edges;
  const SpeedRows& rows = by_motor ? readings.motor_rows : readings.handwheel_rows;
  if (auto coast = coast_of_rows(readings, rows, edges, reading)) return coast;
  if (reading != RowReading::kBetweenValues && readings.run.source != RunSource::kRig)
    return std::nullopt;
  if (trace.speed.size() < kLeastWindows) return std::nullopt;
  Coast coast;
  coast.run = readings.run.id;
  coast.added_kgm2 = readings.run.added_inertia_kgm2.value_or(0);
  const bool by_edges = !edges.empty() && !edges.recovered;
  const std::string& firmware = readings.run.firmware;
  const bool heard = by_edges && (firmware == kSoundInput || firmware == kCheckedSoundInput);
  const double pulse = heard ? 2 * kPi / edges.pulses_per_turn : 0;
  cut_windows(coast, trace, pulse);
  if (coast.speed.size() < kLeastWindows) return std::nullopt;
  coast.speed_high = coast.speed.front();
  coast.speed_low = coast.speed.back();
  coast.length_s = coast.end_s.back();
  coast.windows_exact = trace.from_edges;
  if (by_edges) {
    coast.by_edges = true;
    cut_edges(coast, edges, coast.origin_s, coast.origin_s + coast.length_s);
    coast.flank_drift = kFlankDrift * pulse * pulse;
    if (heard && coast.angle.size() > 1) set_spread(coast);
  }
  if (!(coast.speed_low < 0.9 * coast.speed_high)) return std::nullopt;
  coast.weight.assign(coast.size(), 1.0);
  return coast;
}

}  // namespace loadline
