// The stretch of a run that is a spin-up: what its fit works on.
#pragma once

#include <optional>
#include <vector>

#include "fit/curves/row_reading.h"
#include "fit/curves/sweep_row.h"
#include "fit/readings/readings.h"

namespace loadline {

/// The usable stretch of one spin-up.
struct RunUp {
  std::int64_t run = 0;
  Prior inertia;  ///< all that turns, kg·m²
  double length_s = 0;
  std::vector<double> start_s, end_s, speed;
  /// Supply over the reference, evenly over the stretch, once its channel has followed the switch;
  /// empty = 1.
  std::vector<double> volts;
  double noise_sd = 1, correlation = 1;
  /// Windows that are not exact end at some edge before their row: what is known of its place, rad,
  /// and what that is in each speed, rad/s; standard deviations, 0 for exact windows.
  double slot_sd = 0;
  Prior late;  ///< of the windows' ends against their rows, rad of the shaft's turning
  std::vector<double> place_sd;
  std::vector<double> weight;
};

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
