// The moment of each flank to a small part of a sample: the flank's usual course, learned from the
// take itself, laid over each of them.
//
// The course is a function of the angle, not of time: a mark that passes half as fast takes twice
// as long. So it is learned over the share of the period, and its timing point, the middle of the
// steepest part, is at the same angle at every speed. Each flank is fitted by least squares with a
// shift, a height, a level and a slope of the level, which take up drift and hum.
#pragma once

#include <vector>

#include "logger/sound/flanks.h"

namespace loadline {

struct TimedFlank {
  double at = 0;      ///< samples
  int step = 0;       ///< pulses since the flank before; 0 where a stretch begins
  double period = 1;  ///< samples per pulse there, by its neighbours
  double sd = 0;  ///< standard uncertainty of `at` by the noise about the usual course, samples;
                  ///< 0 where it lies too near to an end of the sound to be fitted
};

/// A sound input's high-pass: corners of two of first order, one after the other, Hz; 0 for none.
struct InputHighPass {
  double first_hz = 0, second_hz = 0;
};

/// The high-pass as the flanks show it: the one with which one usual course leaves least of them.
InputHighPass high_pass_of(const RunningSums& sums, double rate,
                           const std::vector<TimedFlank>& flanks);

/// Refines `at` of flanks that are known to about a flank's length, in order of time, heard through
/// this high-pass; the signal goes up at each.
void refine(const RunningSums& sums, double rate, InputHighPass input,
            std::vector<TimedFlank>& flanks);

}  // namespace loadline
