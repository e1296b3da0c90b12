// Any bytes as a line: the readers neither crash nor let time or counts fall.
#include <algorithm>
#include <cmath>
#include <cstdint>
#include <cstdlib>

#include "logger/line/frame_reader.h"
#include "logger/line/printed_line_reader.h"

namespace {

using namespace loadline;

void require(bool holds) {
  if (!holds) std::abort();
}

/// `bytes` as frames: with the identity first, so that samples are understood; the fuzzer's bytes
/// are cut into frames by a length byte each and get a right checksum, so that it comes past it.
void as_frames(std::span<const std::uint8_t> bytes) {
  FrameReader reader;
  Haul haul;
  WireIdentity identity = {};
  identity.tick_hz = 2'000'000;
  identity.channels = kWireLoadCell | kWireMotorTach;
  identity.motor_pulses_per_turn = 4;
  identity.converter_millihertz = 80'000;
  reader.take(identity_frame(identity), std::chrono::nanoseconds(1), haul);
  std::uint8_t sequence = 1;
  while (bytes.size() > 2) {
    const std::uint8_t type = bytes[0] & 1 ? std::uint8_t{kWireSample} : bytes[1];
    const std::size_t size = std::min<std::size_t>(bytes[0] / 2, bytes.size() - 2);
    std::uint8_t frame[kWireMaxFrame];
    const std::size_t length = wire_frame_encode(
        type, sequence++, bytes.data() + 2, static_cast<std::uint8_t>(size), frame, sizeof frame);
    reader.take({frame, length}, std::chrono::nanoseconds(1), haul);
    bytes = bytes.subspan(2 + size);
  }
  reader.finish(haul);
  std::int64_t tick = -1;
  std::int64_t edges = 0;
  for (const Sample& sample : haul.samples) {
    require(sample.tick > tick);
    require(sample.motor_edges.value_or(edges) >= edges);
    tick = sample.tick;
    edges = sample.motor_edges.value_or(edges);
  }
}

void as_bytes(std::span<const std::uint8_t> bytes) {
  FrameReader reader;
  Haul haul;
  reader.take(bytes, std::chrono::nanoseconds(0), haul);
  reader.finish(haul);
}

void as_lines(std::span<const std::uint8_t> bytes) {
  static const PrintedLine kLine = read_description("t_ms,motor_rpm,kilograms,-", "comma");
  PrintedLineReader reader(kLine, 0.1, true);
  Haul haul;
  reader.take(bytes, std::chrono::nanoseconds(0), haul);
  reader.finish(haul);
  double time = -HUGE_VAL;
  for (const ImportedReading& reading : haul.readings) {
    require(reading.time_s >= time && std::isfinite(reading.motor_rpm) &&
            std::isfinite(reading.torque_nm));
    time = reading.time_s;
  }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::span bytes(data, size);
  as_bytes(bytes);
  as_frames(bytes);
  as_lines(bytes);
  return 0;
}
