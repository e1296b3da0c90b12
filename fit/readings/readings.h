// A run in physical units: what every fit starts from. Samples of a rig and rows of an imported
// file become the same thing here, with what is known of their errors.
//
// In: a run of the book, its calibration and zeros.
// Out: torque, speeds, supply and temperature over time in SI units, each with the stretch that it
// stands for and what is known of its errors.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "db/book.h"
#include "fit/readings/speeds/recovered_edges.h"
#include "fit/readings/speeds/speed.h"
#include "fit/readings/speeds/speed_rows.h"
#include "fit/readings/steady_points.h"

namespace loadline {

/// Standard uncertainties that act on all torques of a run alike; they do not average out.
struct TorqueSystematics {
  double slope_relative = 0;  ///< calibration slope
  double arm_relative = 0;    ///< arm length
  double zero_nm = 0;         ///< zero, drift between the two zeros included
};

struct Readings {
  Run run;
  /// Of a steady run (Run::steady), which has nothing else: all channels below stay empty, since
  /// its rows have an order and no times.
  std::vector<SteadyPoint> points;
  // Torque channel, one entry per value that the converter gave (holds are removed).
  std::vector<double> time_s;
  std::vector<double> torque;      ///< N·m, as the cell read it (lag and inertia still inside)
  std::vector<double> supply_v;    ///< beside each torque; empty without the channel
  double torque_interval_s = 0;    ///< usual time between values
  double lag_s = 0, lag_sd_s = 0;  ///< what is known beforehand of the torque value's delay
  TorqueSystematics systematics;
  double clock_relative_sd = 0;  ///< of the rig's clock against the host's
  // Speeds. Either may be empty.
  SpeedTrace motor, handwheel;
  EdgeTrace motor_edges, handwheel_edges;  ///< recorded, or told from the rows of an imported run
  SpeedRows motor_rows, handwheel_rows;    ///< of an imported coast-down or spin-up
  // Supply without torque channel: its own times.
  std::vector<double> supply_time_s, supply_all_v;
  std::vector<double> temperature_c;  ///< beside supply_time_s rows; may be empty
  double duration_s = 0;
  std::vector<std::string> warnings;

  double mean_supply_v() const;  ///< of the channel, else of the run; NaN when neither is known
};

/// How long runs are thinned, by averaging neighbours.
struct Thinning {
  std::size_t most = 12000;  ///< values per channel; 0: never thinned
  /// A run of more than 3 times as many values is thinned down to about this many, as far as the
  /// motor's speed hardly changes within what is averaged; 0: only to `most`.
  std::size_t few = 0;
};

/// Reads run `id`, once for as long as nothing in the book changes (Book::worked_out), through the
/// calibration and zeros in force. `known_pulses`: as in edges_from_rows(). Error(kInput) when the
/// run has no rows; a missing calibration of a brake run with torque counts is Error(kInput) too,
/// other kinds then come without torque.
Readings load_readings(const Book& book, std::int64_t id, const Thinning& thinning = {},
                       int known_pulses = 0);

}  // namespace loadline
