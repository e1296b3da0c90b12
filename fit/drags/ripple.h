// The torque that ripples twice a turn while a shaft runs down: needle, hook or belt joint.
//
// In: a fit of coast-downs and the number of a run in it. Out: the amplitude (N·m) with its limits.
#pragma once

#include <cstddef>

#include "db/basis/estimate.h"
#include "fit/coast_downs/coast_fit.h"

namespace loadline {

struct WaveLimits {
  double value, low, high;
};

/// Of a wave whose two parts are known to within a standard deviation of 1 each, found with this
/// square of its size: that follows the noncentral χ² of two degrees of freedom about its true
/// square. What is smaller than scatter alone makes on average, 2, says no more than that.
WaveLimits limits_of_wave(double square);

/// Unknown where no ripple was fitted. An amplitude is never below zero and comes out too large
/// where there is none, so its limits are those sizes of a wave with which what was found is not
/// odd. The ripple is fitted to first order in the angle that it moves the shaft by: that angle at
/// the lowest speed is added to the limits as a share of them.
Estimate ripple_amplitude(const CoastFit& fit, std::size_t run);

}  // namespace loadline
