// A spin-up as its fit works on it.
#pragma once

#include <cstdint>
#include <vector>

#include "fit/solver/prior.h"

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
  /// What a radian of that takes at the windows' starts and ends, s.
  std::vector<double> age_start_s, age_end_s;
  /// A value is the mean over its window; or, of displays that smooth, that and what was shown
  /// before, which counts less by e for each length of the display's own: a time, or turns; or that
  /// of a whole turn, which ended `late` before the end of the window.
  enum class Made { kMean, kSmoothedOverTime, kSmoothedTurns, kTurnAgo } made = Made::kMean;
  std::vector<double> shown_before;
  /// ln of the true lengths of windows, their ends staying, or of the display's own, over those
  /// here: where the fit finds how far a display reaches back.
  Prior span;
  /// Of displays that show an earlier turn, rad: by how much it is shown sooner where rows come
  /// quicker than turns, and the most by which it can be late where there were few turns yet.
  std::vector<double> sooner, latest;
  bool begins_with_first = false;  ///< no row says that the shaft stands
  std::vector<double> place_sd;
  std::vector<double> weight;
};

}  // namespace loadline
