// The stretch of a run that is a spin-up: what its fit works on.
#pragma once

#include <optional>
#include <vector>

#include "fit/readings/noise/row_reading.h"
#include "fit/spin_ups/spin_up.h"

namespace loadline {

struct Readings;  // fit/readings/readings.h

/// Cuts the stretch out, from the first moving windows to the switch or, where nothing tells of it,
/// the fastest window; empty without motor speed, without inertia, or when it never speeds up.
/// `reading`: between values, or, of rows of a file, over the last turn or some angle ago; empty
/// where the run has no such rows.
std::optional<RunUp> make_run_up(const Readings& readings, double reference_v,
                                 RowReading reading = RowReading::kBetweenValues);
/// The rows of a file as if their values were the mean since the row before: what the other ways to
/// read them can be compared with.
std::optional<RunUp> make_plain_run_up(const Readings& readings, double reference_v);

/// The same without what is slower than this share of the top speed; empty when little is left.
std::optional<RunUp> without_start(const RunUp& run, double share);

}  // namespace loadline
