// A run as a sound input would hear it: the pulses of one tachometer, the machine's own sound, and
// what microphone, cable and converter make of them.
//
// Richer than anything that reads it assumes: a mark's flanks rise and fall unlike, each mark has
// its own width and height, two high-passes and a roll-off lie behind each other, the noise is part
// white and part 1/f, the mains hum with many harmonics.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "firmware-protocol/simrig/play.h"

namespace loadline::simrig {

/// Samples, full scale 1, at scenario.sound.rate_hz by the sound input's own clock.
std::vector<double> sound_of(const Recording& recording, const Scenario& scenario,
                             std::uint64_t seed);

/// The bytes of a WAV of 16 bits, one channel.
std::string wav(const std::vector<double>& samples, double rate_hz);

}  // namespace loadline::simrig
