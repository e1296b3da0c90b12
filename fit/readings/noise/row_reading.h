// What a tachometer's values in the rows of a file can be.
#pragma once

#include <algorithm>
#include <array>

#include "db/basis/units.h"

namespace loadline {

/// What the values in the rows of a file can be the mean of. Where repeats are old values, all of
/// them may be older than their row by the age of the last edge.
enum class RowReading {
  kBetweenValues,  ///< the time since the last new value: reciprocal counting
  kLastTurn,       ///< the last whole turn
  kAngleAgo,       ///< the speed some angle ago: periods of few or many pulses, medians of such
  kEdges,          ///< the time between two edges that the rows themselves tell
  kBetweenRows,    ///< the time since the last row, repeats included: counts in a gate
  kAtRows,         ///< the speed at the row itself, repeats included: voltages
  // Displays that take in a value at each turn and work on the last few of them:
  kTurnAgo,        ///< one whole turn, some turns ago: the middle one of several
  kMeanOfTurns,    ///< some of the last turns
  kSmoothedTurns,  ///< all turns, each further one counting less by the same factor
  // Displays that look every so often, at what is the mean since the look before or the last pulse,
  // and work on the last few looks:
  kMeanOfLooks,    ///< some of the last looks
  kSmoothedLooks,  ///< each look adds a share of what it differs by
  // Where digits are so coarse that repeats are values like all others:
  kLastTurnAtRows,
  kAngleAgoAtRows,
  // The last whole turn once more, where the rows tell at which marks of the disc turns end:
  kLastTurnAtMarks,
  // And the speed some angle ago once more, as the means that it stands for:
  kLastPulse,     ///< the time between two pulses, how many a turn the fit finds
  kLastHalfTurn,  ///< the last half turn
  kLastTwoTurns,  ///< the last two turns
  // Displays and filters that take means over a time of their own:
  kMeanOverTime,      ///< all of it alike
  kSmoothedOverTime,  ///< what is older counting less by the same factor
  kCounts,  ///< in gates that follow each other, as long as the rows are apart: tried first
};
/// Each is tried by itself; the others follow from others (fit/coast_downs/turn_marks.h,
/// row_readings.cc).
inline constexpr std::array kRowReadings = {
    RowReading::kBetweenValues, RowReading::kLastTurn,      RowReading::kAngleAgo,
    RowReading::kEdges,         RowReading::kBetweenRows,   RowReading::kAtRows,
    RowReading::kTurnAgo,       RowReading::kMeanOfTurns,   RowReading::kSmoothedTurns,
    RowReading::kMeanOfLooks,   RowReading::kSmoothedLooks, RowReading::kLastTurnAtRows,
    RowReading::kAngleAgoAtRows};

/// What such a value is.
struct WayToRead {
  enum class Over {
    kSinceBefore,
    kLastTurn,
    kLastPulse,
    kInstant,
    kMeanOfLooks,
    kSmoothedLooks,
    kTurnAgo,
    kMeanOfTurns,
    kSmoothedTurns,
    kMeanOverTime,
    kSmoothedOverTime
  } over;
  bool repeats_are_values;  ///< else a repeat is the old value once more
  bool has_age;             ///< some angle of it, as far as it reaches back, is found by the fit
  double turns = 1;         ///< of the last ones, how many
};

/// A display that takes in a value at each turn: how far it reaches back the fit finds.
constexpr bool reads_by_turns(WayToRead::Over over) {
  return over >= WayToRead::Over::kTurnAgo && over <= WayToRead::Over::kSmoothedTurns;
}
/// A display that looks every so often: over how long it works the fit finds.
constexpr bool reads_by_looks(WayToRead::Over over) {
  return over == WayToRead::Over::kMeanOfLooks || over == WayToRead::Over::kSmoothedLooks;
}

constexpr WayToRead way_to_read(RowReading reading) {
  using Over = WayToRead::Over;
  switch (reading) {
    case RowReading::kBetweenValues:
      return {Over::kSinceBefore, false, true};
    case RowReading::kLastTurn:
      return {Over::kLastTurn, false, true};
    case RowReading::kLastPulse:
      return {Over::kLastPulse, false, true};
    case RowReading::kLastTwoTurns:
      return {Over::kLastTurn, false, true, 2};
    case RowReading::kLastHalfTurn:
      return {Over::kLastTurn, false, true, 0.5};
    case RowReading::kAngleAgo:
      return {Over::kInstant, false, true};
    case RowReading::kEdges:
      return {Over::kSinceBefore, false, false};
    case RowReading::kBetweenRows:
      return {Over::kSinceBefore, true, false};
    case RowReading::kAtRows:
      return {Over::kInstant, true, false};
    case RowReading::kTurnAgo:
      return {Over::kTurnAgo, false, true};
    case RowReading::kMeanOfTurns:
      return {Over::kMeanOfTurns, false, true};
    case RowReading::kSmoothedTurns:
      return {Over::kSmoothedTurns, false, true};
    case RowReading::kMeanOfLooks:
      return {Over::kMeanOfLooks, true, true};
    case RowReading::kSmoothedLooks:
      return {Over::kSmoothedLooks, true, true};
    case RowReading::kLastTurnAtRows:
      return {Over::kLastTurn, true, true};
    case RowReading::kAngleAgoAtRows:
      return {Over::kInstant, true, true};
    case RowReading::kLastTurnAtMarks:
      return {Over::kLastTurn, false, false};
    case RowReading::kMeanOverTime:
      return {Over::kMeanOverTime, false, false};
    case RowReading::kSmoothedOverTime:
      return {Over::kSmoothedOverTime, false, false};
    case RowReading::kCounts:
      return {Over::kSinceBefore, true, false};
  }
  return {Over::kSinceBefore, false, false};
}

/// Where the window begins whose mean the value `speed` (rad/s) is; `before_s`: the value before
/// it, `row_s`: usual time between rows, of which an instant is a small part.
inline double window_start(RowReading reading, double before_s, double end_s, double speed,
                           double row_s) {
  constexpr double kInstant = 1e-3;
  const WayToRead way = way_to_read(reading);
  switch (way.over) {
    case WayToRead::Over::kLastTurn:
    case WayToRead::Over::kLastPulse:
    case WayToRead::Over::kTurnAgo:
    case WayToRead::Over::kMeanOfTurns:
    case WayToRead::Over::kSmoothedTurns:
      return end_s - way.turns * 2 * kPi / std::max(speed, 1e-6);
    case WayToRead::Over::kInstant:
    case WayToRead::Over::kMeanOverTime:
    case WayToRead::Over::kSmoothedOverTime:
      return end_s - kInstant * row_s;
    default:
      return before_s;
  }
}

}  // namespace loadline
