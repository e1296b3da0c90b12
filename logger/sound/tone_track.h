// The course of a shaft's angle through a recording of the noise that it makes.
//
// First by how strong the harmonics of each possible speed are in short frames, each frame also
// stretched in time as if the speed changed within it; the best course through all frames by a
// dynamic programme (Viterbi) that lets the speed change smoothly. Then by the phases: over the
// angle of that first course each harmonic is nearly a pure tone, and how its phase drifts from
// turn to turn says how far the course is off (order tracking). Harmonics that disagree with each
// other give the uncertainty.
//
// A pattern of harmonics does not say which of them is the turn itself, blades sound alike; so the
// highest speed must be known to about a quarter.
#pragma once

#include <string>
#include <vector>

#include "logger/sound/pulse_finder.h"

namespace loadline {

struct ToneCourse {
  /// Moments at equal steps of the angle, kTonePulses a turn. Neighbours come from the same turns
  /// of sound: their errors are alike.
  std::vector<SoundEdge> edges;
  double top_hz = 0;       ///< highest speed on the course, turns a second
  std::vector<int> heard;  ///< harmonics of the turn that stand out
  std::string why;         ///< a sentence where there is no course
};

inline constexpr int kTonePulses = 4;

/// `x`: all of the take, at `rate` samples a second; `top_hz`: about the highest speed.
ToneCourse follow_tone(std::vector<float> x, double rate, double top_hz);

/// How often the sound repeats at its fastest, 1/s, where nobody stated the speed: the spacing of
/// all harmonics that are heard. A turn repeats so often or, where nothing of it is heard once a
/// turn, a whole part as often; sound alone does not tell which. 0 where nothing was followed.
double pace_of_tone(const std::vector<float>& x, double rate);

}  // namespace loadline
