// The hum of the mains in a take: 50 or 60 Hz and their harmonics, taken out where they stand out.
//
// A steady hum is the same sine over the whole stretch, while the lines of a shaft that changes its
// speed are not; and most of the time no mark passes. So the hum is fitted to the signal with its
// highest values cut down, and pulses hardly move it.
#pragma once

#include <span>
#include <vector>

namespace loadline {

/// `x` without the hum; the same where none is found. `rate`: samples a second.
std::vector<float> without_hum(std::span<const float> x, double rate);

}  // namespace loadline
