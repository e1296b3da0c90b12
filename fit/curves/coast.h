// The stretch of a run in which a shaft slows down by its own drag.
#pragma once

#include <optional>
#include <vector>

#include "fit/readings/readings.h"

namespace loadline {

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
  int slots = 0;  ///< fitted slot offsets (0: none)
  double speed_high = 0, speed_low = 0;
  // Noise and weights of the present pass, per observation.
  double noise_sd = 1, correlation = 1;
  std::vector<double> weight;
  std::size_t size() const { return by_edges ? angle.size() : speed.size(); }
};

/// Cuts the stretch out of a run's readings; empty when the shaft never slows down measurably.
std::optional<Coast> make_coast(const Readings& readings, bool of_motor);

}  // namespace loadline
