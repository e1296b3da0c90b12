// Torque values put beside the speed and acceleration of the moment that they stand for.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "fit/brake_runs/sweeps/sweep_row.h"
#include "fit/readings/readings.h"

namespace loadline {

struct Sweep {
  std::int64_t run = 0;
  std::string run_kind;
  double nominal_v = 0;  ///< mean supply of the run; NaN when unknown
  double lag_s = 0;      ///< at which `rows` are aligned
  double turns = 0;      ///< the same of the speed's delay in turns
  double window_s = 0;   ///< half width of the window that `rows` are means under; 0: single values
  std::vector<SweepRow> rows;    ///< what is fitted
  std::vector<SweepRow> values;  ///< single values, where `rows` are means; else empty
  std::vector<double> steady;    ///< of a test in steps, as steady_speeds(); else empty
  std::vector<char> stray;       ///< beside the run's torques: knocks and lost values, bridged
  /// The values to look at.
  const std::vector<SweepRow>& single() const { return values.empty() ? rows : values; }
  std::size_t unplaced = 0;  ///< torque values without a speed (standstill, gaps, ends)
  Prior lag;                 ///< of the torque value against the speed, s
  Prior turn_lag;            ///< of the speed besides, turns of the shaft
  Prior spread{0,
               1e-12};  ///< variance in time of what the cell averages more than the tachometer, s²
  Prior inertia;        ///< between winding and cell, kg·m²
  bool inertia_given = false;
  bool typed = false;  ///< points typed one by one
  TorqueSystematics systematics;
  double clock_relative_sd = 0;
  double duration_s = 0;
  /// Share of rows while the speed rises; 0 or 1 is a sweep one way.
  double rising_share = 0;
  bool one_way() const;
  double acceleration_scale = 0;  ///< median |acceleration|
  double fastest = 0;             ///< highest speed read; parabolas through a step may go beyond
  double row_s = 0;               ///< usual time between torques, or speeds where these are rarer
  double smooth_s = 0;            ///< half width of the parabolas that its speeds were read from
  /// From its lowest to its highest speed or back, as a rule; 0 of typed points.
  double one_way_s = 0;
};

/// Settings that a person may switch off to see what they do.
struct SweepOptions {
  bool correct_lag = true;      ///< off: torque and speed taken as simultaneous
  bool correct_inertia = true;  ///< off: the brake's reading taken as the shaft's torque
  bool correct_drift = true;    ///< off: no drift of zero, no warm-up
};

/// Aligns at the lag known beforehand. A run whose load cell sits at the motor's cradle reads the
/// torque on the stator, in which the rotor's inertia does not appear; `inertia` is 0 then.
Sweep make_sweep(const Readings& readings, const SmoothSpeed& speed, const SweepOptions& options);
/// Aligns again at another lag, with speeds that are `turns` late besides.
void align(Sweep& sweep, const Readings& readings, const SmoothSpeed& speed, double lag_s,
           double turns);
/// From now on rows are means under windows, where the run allows it. Single values of which
/// `weight` says that they belong to no curve are bridged where they stand out from the values
/// before and after them for a moment; the way from one step to the next does not.
void take_means(Sweep& sweep, const std::vector<double>& weight, const Readings& readings,
                const SmoothSpeed& speed);

}  // namespace loadline
