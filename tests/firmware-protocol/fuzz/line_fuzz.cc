// Any bytes on the line: the decoder stays within its bounds, byte by byte equals block by block,
// what it delivers can be encoded again, and the board's answers are sound.
#include <algorithm>
#include <cstdint>
#include <cstdlib>
#include <vector>

#include "firmware-protocol/messages.h"
#include "firmware-protocol/simrig/board.h"

namespace {

using loadline::simrig::Bytes;

void require(bool holds) {
  if (!holds) std::abort();
}

/// Frames one after the other, as type, sequence, size, payload.
void note(const WireFrame& frame, Bytes& into) {
  into.insert(into.end(), {frame.type, frame.sequence, frame.payload_size});
  into.insert(into.end(), frame.payload, frame.payload + frame.payload_size);
}

void encode_again(const WireFrame& frame) {
  std::uint8_t line[kWireMaxFrame];
  const std::size_t size = wire_frame_encode(frame.type, frame.sequence, frame.payload,
                                             frame.payload_size, line, sizeof line);
  require(size > 0);
  WireDecoder decoder;
  wire_decoder_start(&decoder);
  WireFrame back{};
  std::size_t used = 0;
  require(wire_decoder_take_block(&decoder, line, size, &used, &back) && used == size);
  require(back.type == frame.type && back.payload_size == frame.payload_size);
  require(std::equal(back.payload, back.payload + back.payload_size, frame.payload));
}

void unpack(const WireFrame& f) {
  WireSample sample{};
  WireStatus status{};
  WireIdentity identity{};
  WireError error{};
  std::uint8_t payload[kWireMaxPayload];
  if (wire_sample_unpack(f.payload, f.payload_size, &sample))
    require(wire_sample_pack(&sample, payload) <= f.payload_size);
  if (wire_identity_unpack(f.payload, f.payload_size, &identity)) require(identity.tick_hz > 0);
  wire_status_unpack(f.payload, f.payload_size, &status);
  wire_error_unpack(f.payload, f.payload_size, &error);
}

Bytes by_bytes(const std::uint8_t* data, std::size_t size) {
  WireDecoder decoder;
  wire_decoder_start(&decoder);
  WireFrame frame{};
  Bytes seen;
  for (std::size_t n = 0; n < size; ++n) {
    if (!wire_decoder_take(&decoder, data[n], &frame)) continue;
    note(frame, seen);
    encode_again(frame);
    unpack(frame);
  }
  require(decoder.counters.bytes == size);
  return seen;
}

Bytes by_blocks(const std::uint8_t* data, std::size_t size, std::size_t block) {
  WireDecoder decoder;
  wire_decoder_start(&decoder);
  WireFrame frame{};
  Bytes seen;
  for (std::size_t at = 0; at < size;) {
    std::size_t used = 0;
    const std::size_t most = std::min(block, size - at);
    if (wire_decoder_take_block(&decoder, data + at, most, &used, &frame)) note(frame, seen);
    require(used > 0 && used <= most);
    at += used;
  }
  return seen;
}

void ask_the_board(const std::uint8_t* data, std::size_t size) {
  static const loadline::simrig::Scenario scenario = loadline::simrig::parse_scenario("");
  loadline::simrig::Board board(scenario);
  board.receive(data, size);
  WireDecoder decoder;
  wire_decoder_start(&decoder);
  WireFrame frame{};
  for (const Bytes& answer : board.frames())
    for (const std::uint8_t byte : answer) wire_decoder_take(&decoder, byte, &frame);
  require(wire_dropped(&decoder.counters) == 0 && decoder.counters.missing == 0);
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const Bytes seen = by_bytes(data, size);
  require(seen == by_blocks(data, size, 1 + size / 3));
  require(seen == by_blocks(data, size, 7));
  ask_the_board(data, size);
  return 0;
}
