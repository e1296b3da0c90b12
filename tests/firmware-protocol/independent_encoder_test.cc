// The page suffices: an encoder written from wire.md alone, in another language, is understood.
#include <doctest/doctest.h>

#include <cstdint>
#include <cstdio>
#include <string>
#include <vector>

#include "firmware-protocol/messages.h"
#include "tests/support/tests_folder.h"

namespace {

std::vector<std::uint8_t> run_encoder() {
  const std::string command = std::string("python3 '") + loadline::tests_folder() +
                              "/firmware-protocol/independent_encoder.py'";
  std::vector<std::uint8_t> bytes;
  std::FILE* pipe = ::popen(command.c_str(), "r");
  REQUIRE(pipe != nullptr);
  for (int byte; (byte = std::fgetc(pipe)) != EOF;)
    bytes.push_back(static_cast<std::uint8_t>(byte));
  REQUIRE(::pclose(pipe) == 0);
  return bytes;
}

void check_sample(const WireSample& x, std::uint32_t n) {
  const std::uint32_t tick = static_cast<std::uint32_t>(-4000000) + 12500u * n;
  CHECK(x.number == n);
  CHECK(x.tick == tick);
  CHECK(x.channels == n % 32);
  if (x.channels & kWireLoadCell)
    CHECK(x.torque_counts ==
          static_cast<std::int64_t>(std::uint64_t{n} * n * 7919 % 16777216) - 8388608);
  if (x.channels & kWireMotorTach) {
    CHECK(x.motor_edges == static_cast<std::uint32_t>(-1000) + 10u * n);
    CHECK(x.motor_edge_tick == tick - 123u);
  }
  if (x.channels & kWireHandwheelTach) {
    CHECK(x.handwheel_edges == 5u * n);
    CHECK(x.handwheel_edge_tick == tick - 4567u);
  }
  if (x.channels & kWireSupply) CHECK(x.supply_counts == static_cast<std::int32_t>(900 + n));
  if (x.channels & kWireTemperature) CHECK(x.temperature_counts == -static_cast<std::int32_t>(n));
}

}  // namespace

TEST_CASE("bytes made from the page alone mean what they should") {
  WireDecoder decoder;
  wire_decoder_start(&decoder);
  WireFrame f{};
  std::uint32_t samples = 0;
  std::vector<WireStatus> states;
  bool identified = false, warned = false;
  for (const std::uint8_t byte : run_encoder()) {
    if (!wire_decoder_take(&decoder, byte, &f)) continue;
    WireSample sample{};
    WireStatus status{};
    WireIdentity identity{};
    WireError error{};
    if (f.type == kWireSample) {
      REQUIRE(wire_sample_unpack(f.payload, f.payload_size, &sample));
      check_sample(sample, samples++);
    } else if (f.type == kWireStatus) {
      REQUIRE(wire_status_unpack(f.payload, f.payload_size, &status));
      states.push_back(status);
    } else if (f.type == kWireIdentity) {
      REQUIRE(wire_identity_unpack(f.payload, f.payload_size, &identity));
      identified = true;
      CHECK(identity.board_number == 4711);
      CHECK(identity.tick_hz == 1000000);
      CHECK(identity.cell_position == kWireCellOnMotor);
      CHECK(identity.motor_pulses_per_turn == 12);
      CHECK(identity.handwheel_pulses_per_turn == 4);
      CHECK(identity.converter_millihertz == 80000);
      CHECK(identity.cell_delay_us == 25000);
      CHECK(identity.arm_um == 99500);
      CHECK(identity.supply_v_per_count == 0.25f);
      CHECK(identity.temperature_c_per_count == 0.0625f);
      CHECK(identity.temperature_c_offset == -40.0f);
      CHECK(std::string(identity.firmware) == "Versuch Nr. 12, Prüfstand µ");
    } else if (f.type == kWireError) {
      REQUIRE(wire_error_unpack(f.payload, f.payload_size, &error));
      warned = true;
      CHECK(error.code == kWireConverterStuck);
      CHECK(error.tick == 99);
      CHECK(std::string(error.text) == "Wandler schweigt");
    }
  }
  CHECK(wire_dropped(&decoder.counters) == 0);
  CHECK(decoder.counters.missing == 0);
  CHECK(decoder.counters.frames == 644);
  CHECK(samples == 640);
  CHECK(identified);
  CHECK(warned);
  REQUIRE(states.size() == 2);
  CHECK(states[0].streaming == 1);
  CHECK(states[0].reset_cause == kWirePowerOn);
  CHECK(states[0].tick == 77);
  CHECK(states[1].streaming == 0);
  CHECK(states[1].tick == 4294967295u);
  CHECK(states[1].samples == 640);
  CHECK(states[1].missed_conversions == 3);
  CHECK(states[1].missed_edges == 2);
  CHECK(states[1].bad_frames == 1);
}
