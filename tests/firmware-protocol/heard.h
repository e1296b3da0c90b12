// What a host understands of the bytes that a board has sent, sorted by message.
#pragma once

#include <cstdint>
#include <vector>

#include "firmware-protocol/messages.h"

namespace loadline::simrig {

struct Heard {
  Heard() { wire_decoder_start(&decoder); }
  /// The bytes that came next.
  void operator()(const std::vector<std::uint8_t>& bytes) {
    WireFrame frame{};
    for (const std::uint8_t byte : bytes)
      if (wire_decoder_take(&decoder, byte, &frame)) take(frame);
  }

  std::vector<WireSample> samples;
  std::vector<WireStatus> states;
  std::vector<WireIdentity> identities;
  std::vector<WireError> errors;
  WireDecoder decoder{};

 private:
  void take(const WireFrame& f) {
    WireSample sample{};
    WireStatus status{};
    WireIdentity identity{};
    WireError error{};
    if (f.type == kWireSample && wire_sample_unpack(f.payload, f.payload_size, &sample))
      samples.push_back(sample);
    if (f.type == kWireStatus && wire_status_unpack(f.payload, f.payload_size, &status))
      states.push_back(status);
    if (f.type == kWireIdentity && wire_identity_unpack(f.payload, f.payload_size, &identity))
      identities.push_back(identity);
    if (f.type == kWireError && wire_error_unpack(f.payload, f.payload_size, &error))
      errors.push_back(error);
  }
};

}  // namespace loadline::simrig
