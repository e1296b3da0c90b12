// What a tachometer's values in the rows of a file can be.
#pragma once

#include <array>

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

}  // namespace loadline
