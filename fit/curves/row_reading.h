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
  // Where digits are so coarse that repeats are values like all others:
  kLastTurnAtRows,
  kAngleAgoAtRows,
};
inline constexpr std::array kRowReadings = {
    RowReading::kBetweenValues,  RowReading::kLastTurn,      RowReading::kAngleAgo,
    RowReading::kEdges,          RowReading::kBetweenRows,   RowReading::kAtRows,
    RowReading::kLastTurnAtRows, RowReading::kAngleAgoAtRows};

/// What such a value is.
struct WayToRead {
  enum class Over { kSinceBefore, kLastTurn, kInstant } over;
  bool repeats_are_values;  ///< else a repeat is the old value once more
  bool has_age;             ///< its end lies some angle before its row, which the fit finds
};

constexpr WayToRead way_to_read(RowReading reading) {
  using Over = WayToRead::Over;
  switch (reading) {
    case RowReading::kBetweenValues:
      return {Over::kSinceBefore, false, true};
    case RowReading::kLastTurn:
      return {Over::kLastTurn, false, true};
    case RowReading::kAngleAgo:
      return {Over::kInstant, false, true};
    case RowReading::kEdges:
      return {Over::kSinceBefore, false, false};
    case RowReading::kBetweenRows:
      return {Over::kSinceBefore, true, false};
    case RowReading::kAtRows:
      return {Over::kInstant, true, false};
    case RowReading::kLastTurnAtRows:
      return {Over::kLastTurn, true, true};
    case RowReading::kAngleAgoAtRows:
      return {Over::kInstant, true, true};
  }
  return {Over::kSinceBefore, false, false};
}

/// Where the window begins whose mean the value `speed` (rad/s) is; `before_s`: the value before
/// it, `row_s`: usual time between rows, of which an instant is a small part.
inline double window_start(RowReading reading, double before_s, double end_s, double speed,
                           double row_s) {
  constexpr double kInstant = 1e-3;
  switch (way_to_read(reading).over) {
    case WayToRead::Over::kLastTurn:
      return end_s - 2 * kPi / std::max(speed, 1e-6);
    case WayToRead::Over::kInstant:
      return end_s - kInstant * row_s;
    default:
      return before_s;
  }
}

}  // namespace loadline
