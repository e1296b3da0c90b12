// The edges that a tachometer counted, told from the rows of a file that it wrote.
#pragma once

#include <span>

#include "fit/readings/speeds/speed.h"

namespace loadline {

/// The edges behind the rows of an imported run, where they can be told. A tachometer that counts
/// reciprocally writes v = n·pitch/(time between edges) and repeats it until a new edge comes. Once
/// the number of pulses per turn shows itself in the stretches without an edge, every row gives the
/// exact time since the row before: n·pitch/v. Empty when the rows do not look like that: fewer
/// than six such stretches, or every number of pulses contradicted. With `known_pulses` (another
/// run of the same disc told it) the stretches need only not contradict it.
EdgeTrace edges_from_rows(std::span<const double> time_s, std::span<const double> rpm,
                          int known_pulses = 0);

}  // namespace loadline
