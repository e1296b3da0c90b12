// How fast the clock of a sound input runs: a take of the ticks of a better clock (a quartz clock's
// second, the pulse of a satellite receiver) held against what it counts as a second itself.
#pragma once

#include <cstdint>

#include "db/basis/estimate.h"
#include "logger/sound/sound_port.h"

namespace loadline {

struct ClockCheck {
  /// Millionths by which the sound input counts more samples than its rate says, with the limits
  /// that the scatter of the ticks gives; what the better clock is off itself comes on top.
  Estimate fast = Estimate::unknown("millionths");
  std::uint64_t ticks = 0, missed = 0;
  double length_s = 0;  ///< from the first tick to the last
};

/// Reads the take, two hours of it at most. `ticks_hz`: of the better clock. Error(kInput) where
/// too few ticks are heard, or they come at another pace.
ClockCheck check_clock(SoundPort& port, double ticks_hz);

}  // namespace loadline
