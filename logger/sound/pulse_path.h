// Which of the flanks are the shaft's: the sequence whose speed changes smoothly, with pulses that
// were lost counted by whole multiples of the period and flanks in between left out.
//
// A dynamic programme over pairs of flanks (Viterbi): its state is the last period, with the change
// of the squared speed from pulse to pulse, which is constant where a constant torque slows a shaft
// down or brings it up (J·ω·dω/dθ = T).
#pragma once

#include <vector>

#include "logger/sound/flanks.h"

namespace loadline {

struct PathEdge {
  std::size_t flank = 0;
  /// Pulses since the edge before: 1, more where some were lost, 0 where a stretch begins.
  int step = 0;
  int left_out = 0;  ///< strong flanks between it and the edge before
};

struct PulsePath {
  std::vector<PathEdge> edges;
  double sureness = 0;  ///< of all its edges together
};

/// The path through `flanks`, all of one sign and in order of time.
PulsePath find_path(const std::vector<Flank>& flanks);

}  // namespace loadline
