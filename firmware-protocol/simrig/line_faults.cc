#include "firmware-protocol/simrig/line_faults.h"

#include <cmath>

namespace loadline::simrig {

LineFaults::LineFaults(const FaultSpec& spec, std::uint64_t seed)
    : spec_(spec),
      dice_(seed, 30),
      next_burst_s_(spec.garbage_every_s > 0.0 ? dice_.exponential(spec.garbage_every_s)
                                               : INFINITY) {}

void LineFaults::burst(Bytes& out) {
  const double size = 1.0 + dice_.exponential(spec_.garbage_bytes);
  for (double n = 0.0; n < size; ++n) out.push_back(static_cast<std::uint8_t>(dice_.bits()));
}

void LineFaults::carry_once(const Bytes& frame, Bytes& out) {
  if (spec_.lose_byte <= 0.0 && spec_.flip_bit <= 0.0) {
    out.insert(out.end(), frame.begin(), frame.end());
    return;
  }
  for (std::uint8_t byte : frame) {
    if (dice_.uniform() < spec_.lose_byte) continue;
    if (dice_.uniform() < spec_.flip_bit)
      byte = static_cast<std::uint8_t>(byte ^ (1u << (dice_.bits() & 7u)));
    out.push_back(byte);
  }
}

void LineFaults::carry(const Bytes& frame, double time_s, Bytes& out) {
  while (time_s >= next_burst_s_) {
    burst(out);
    next_burst_s_ += dice_.exponential(spec_.garbage_every_s);
  }
  carry_once(frame, out);
  if (spec_.repeat_frame > 0.0 && dice_.uniform() < spec_.repeat_frame) carry_once(frame, out);
}

}  // namespace loadline::simrig
