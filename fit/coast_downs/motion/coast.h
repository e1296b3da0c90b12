// The stretch of a run in which a shaft slows down by its own drag.
#pragma once

#include <optional>
#include <vector>

#include "fit/readings/noise/row_noise.h"
#include "fit/readings/noise/row_reading.h"

namespace loadline {

struct Readings;  // fit/readings/readings.h

/// The usable stretch of one coast-down: from the release to the last reliable speed.
struct Coast {
  std::int64_t run = 0;
  double added_kgm2 = 0;  ///< known inertia added for this run
  double origin_s = 0;    ///< time zero of the stretch in the run
  double length_s = 0;
  // Either windows of mean speed …
  std::vector<double> start_s, end_s, speed;
  // … or angles at edges (rad, from the first edge), with the slot of each edge.
  bool by_edges = false;
  bool windows_exact = false;  ///< windows between edges, not between rows
  std::vector<double> time_s, angle;
  std::vector<int> slot;
  int pulses = 0;  ///< edges a turn
  int slots = 0;   ///< fitted slot offsets (0: none)
  /// Of a sound take: its edges may be early by this over ω, times a number of variance 1; rad²/s.
  double flank_drift = 0;
  /// Of a sound take: noise of each edge over that of a quick one; empty where all are alike.
  std::vector<double> spread;
  double speed_high = 0, speed_low = 0;
  // Rows of a file: no value is older than its row by more than this; the noise of the values.
  bool from_rows = false;
  double oldest_s = 0;
  double row_s = 0;  ///< usual time between rows
  WayToRead::Over over = WayToRead::Over::kSinceBefore;
  double turns = 1;            ///< that a value is the mean of, where it is that of the last ones
  double look_s = 0;           ///< usual time between looks
  std::vector<double> before;  ///< of each value, where a display works on looks: the one before
  double held = 0;             ///< of these values, that are the one before once more
  bool display = false;        ///< the value is renewed every so many rows
  double count = 0;            ///< rad, of one count where values are known to be counts in a gate
  bool ends_known = false;     ///< windows end where they are said to: gates, edges
  // Whole turns, of which the rows tell at which marks of the disc they ended.
  double pitch = 0;  ///< rad from mark to mark; 0: not known
  /// rad after the start, < pitch. Held: what it is off by moves the start along the curve.
  double first_mark = 0;
  std::vector<double> mark;  ///< of each value: how many marks after the first its turn ended
  bool by_marks() const { return pitch > 0; }
  /// What the repeats add to −2 ln L by this reading, beside that of the values.
  double repeats_deviance = 0;
  RowSeries series;
  RowNoise noise;
  bool noise_judged = false;  ///< from residuals, not a first guess
  Whitener whitener;
  // Noise and weights of the present pass, per observation.
  double noise_sd = 1, correlation = 1;
  std::vector<double> weight;
  std::size_t size() const { return by_edges ? angle.size() : speed.size(); }
  /// By a display that takes in a value at each turn.
  bool by_turns() const { return reads_by_turns(over); }
  bool by_looks() const { return reads_by_looks(over); }
};

bool any_from_rows(const std::vector<Coast>& coasts);

/// Cuts the stretch out of a run's readings; empty when the shaft never slows down measurably, or
/// when the rows of a file do not allow this reading of them. All readings of a run hold the same
/// values, so that they can be compared.
std::optional<Coast> make_coast(const Readings& readings, bool of_motor,
                                RowReading reading = RowReading::kBetweenValues);

}  // namespace loadline
