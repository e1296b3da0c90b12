// Rows of a tachometer that knows that its shaft slows down before the next edge tells it.
//
// Where no edge comes, some instruments repeat the last value; others write what it can be at most:
// a pulse over the time since the last edge (design of many counters; common practice). Such a
// bound is no measurement: read as one, a shaft seems to slow down in jerks. From row to row of
// one stretch 1/bound grows by the time between the rows over the pulse, which tells bounds from
// values and the number of pulses in a turn.
#pragma once

#include <span>
#include <vector>

namespace loadline {

/// Replaces bounds by the value before them, as if the instrument had held it. Returns the pulses
/// in a turn, 0 where there are no bounds; then nothing is changed. `rpm` may hold NaN.
int hold_through_bounds(std::span<const double> time_s, std::vector<double>& rpm);

}  // namespace loadline
