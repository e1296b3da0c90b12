// What a bad line does to good frames, on purpose and by seeded chance.
#pragma once

#include "firmware-protocol/simrig/board.h"
#include "firmware-protocol/simrig/dice.h"
#include "firmware-protocol/simrig/scenario.h"

namespace loadline::simrig {

class LineFaults {
 public:
  LineFaults(const FaultSpec& spec, std::uint64_t seed);
  /// Appends to `out` what arrives of `frame` sent at `time_s`.
  void carry(const Bytes& frame, double time_s, Bytes& out);

 private:
  void carry_once(const Bytes& frame, Bytes& out);
  void burst(Bytes& out);

  FaultSpec spec_;
  Dice dice_;
  double next_burst_s_;
};

}  // namespace loadline::simrig
