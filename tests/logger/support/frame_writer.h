// What a rig of the tests sends: its frames, who it is, and a bench at a steady speed.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <iterator>
#include <vector>

#include "firmware-protocol/messages.h"

namespace loadline {

/// Writes frames with running sequence numbers, as a rig's sender does.
class FrameWriter {
 public:
  void sample(const WireSample& sample) { packed(kWireSample, sample, wire_sample_pack); }
  void identity(const WireIdentity& identity) {
    packed(kWireIdentity, identity, wire_identity_pack);
  }
  void status(const WireStatus& status) { packed(kWireStatus, status, wire_status_pack); }
  void error(const WireError& error) { packed(kWireError, error, wire_error_pack); }
  void frame(std::uint8_t type, const std::uint8_t* payload, std::uint8_t size) {
    std::uint8_t out[kWireMaxFrame];
    const std::size_t length = wire_frame_encode(type, sequence_++, payload, size, out, sizeof out);
    last_frame_size = length;
    bytes.insert(bytes.end(), out, out + length);
  }
  std::vector<std::uint8_t> bytes;
  std::size_t last_frame_size = 0;

 private:
  template <typename Message>
  void packed(std::uint8_t type, const Message& message,
              std::uint8_t (*pack)(const Message*, std::uint8_t*)) {
    std::uint8_t payload[kWireMaxPayload];
    const std::uint8_t size = pack(&message, payload);
    frame(type, payload, size);
  }
  std::uint8_t sequence_ = 0;
};

inline WireIdentity usual_identity() {
  WireIdentity identity = {};
  identity.board_number = 7;
  identity.tick_hz = 2'000'000;
  identity.channels = kWireLoadCell | kWireMotorTach;
  identity.cell_position = kWireCellOnBrake;
  identity.motor_pulses_per_turn = 4;
  identity.converter_millihertz = 80'000;
  identity.cell_delay_us = 25'000;
  identity.arm_um = 100'000;
  const char text[] = "played rig 1";
  std::copy(std::begin(text), std::end(text), identity.firmware);
  return identity;
}

/// What the bench does: sample `number` after the start, made at `tick` since the board's reset.
/// The default turns at a steady 6,000 rpm from 1 s after the start on; 4 pulses per turn make 400
/// edges a second. Before that it rests at 1,000 counts; under way it reads 51,000.
inline WireSample usual_sample(std::uint32_t number, std::uint32_t tick,
                               const WireIdentity& identity) {
  WireSample sample = {};
  sample.number = number;
  sample.tick = tick;
  sample.channels = identity.channels;
  const double seconds = static_cast<double>(number) * 1000.0 / identity.converter_millihertz;
  const double turning = std::max(0.0, seconds - 1.0);
  const double edges = std::floor(turning * 400);
  const double age_s = turning - edges / 400;
  sample.torque_counts = turning > 0 ? 51'000 : 1'000 + static_cast<std::int32_t>(number % 3);
  if (identity.channels & kWireMotorTach) {
    sample.motor_edges = static_cast<std::uint32_t>(edges);
    sample.motor_edge_tick =
        tick - static_cast<std::uint32_t>(std::lround(age_s * identity.tick_hz));
  }
  return sample;
}

}  // namespace loadline
