// What a brake run's fit works on, row by row.
#pragma once

#include <algorithm>
#include <array>

#include "db/basis/units.h"
#include "fit/solver/prior.h"

namespace loadline {

/// One torque value with the motion `lag_s` before its time stamp; or the mean of such values under
/// a window (fit/brake_runs/sweeps/torque_balance.h).
struct SweepRow {
  static constexpr int kParts = 6;
  double time_s = 0;
  double share = 0;         ///< of the run that has passed, 0 to 1
  double warmth = 0;        ///< of the run's heating that has happened, less its mean over the run
  double speed = 0;         ///< rad/s
  double acceleration = 0;  ///< rad/s²
  double torque = 0;        ///< N·m, as read
  /// Standard uncertainties as stated beside a typed point; 0 where nothing is.
  double torque_sd = 0, speed_sd = 0;
  bool stray = false;  ///< of a single value
  double volts = 0;    ///< supply; NaN when unknown
  double jerk = 0;     ///< rad/s³; 0 of single values
  double bend = 0;     ///< second derivative of the torque, N·m/s²; 0 of single values
  /// Of a mean: the speeds that the window held, and the share of each; none of single values.
  int parts = 0;
  std::array<double, kParts> part_speed{}, part_share{};
};

/// How long the shaft takes for `turns` at this speed, or at 0.5 rad/s: slower, a turn is no delay.
inline double turns_s(double turns, double speed) { return turns * 2 * kPi / std::max(speed, 0.5); }

}  // namespace loadline
