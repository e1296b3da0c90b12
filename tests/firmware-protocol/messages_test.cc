// The payloads: layout as in wire.md, random round trips, truncation at each byte.
#include "firmware-protocol/messages.h"

#include <doctest/doctest.h>

#include <cstring>
#include <limits>
#include <random>
#include <string>
#include <vector>

namespace {

WireIdentity example_identity() {
  WireIdentity identity{};
  identity.board_number = 0x01020304;
  identity.tick_hz = 2000000;
  identity.channels = kWireAllChannels;
  identity.cell_position = kWireCellOnBrake;
  identity.motor_pulses_per_turn = 6;
  identity.handwheel_pulses_per_turn = 2;
  identity.converter_millihertz = 80000;
  identity.cell_delay_us = 25000;
  identity.arm_um = 100000;
  identity.supply_v_per_count = 0.25f;
  identity.temperature_c_per_count = 0.5f;
  identity.temperature_c_offset = -50.0f;
  std::strcpy(identity.firmware, "bench 1");
  return identity;
}

WireSample random_sample(std::mt19937& dice) {
  WireSample s{};
  s.number = static_cast<std::uint32_t>(dice());
  s.tick = static_cast<std::uint32_t>(dice());
  s.channels = static_cast<std::uint8_t>(dice() & kWireAllChannels);
  if (s.channels & kWireLoadCell) s.torque_counts = static_cast<std::int32_t>(dice());
  if (s.channels & kWireMotorTach) {
    s.motor_edges = static_cast<std::uint32_t>(dice());
    s.motor_edge_tick = static_cast<std::uint32_t>(dice());
  }
  if (s.channels & kWireHandwheelTach) {
    s.handwheel_edges = static_cast<std::uint32_t>(dice());
    s.handwheel_edge_tick = static_cast<std::uint32_t>(dice());
  }
  if (s.channels & kWireSupply) s.supply_counts = static_cast<std::int32_t>(dice());
  if (s.channels & kWireTemperature) s.temperature_counts = static_cast<std::int32_t>(dice());
  return s;
}

void check_same(const WireSample& a, const WireSample& b) {
  CHECK(a.number == b.number);
  CHECK(a.tick == b.tick);
  CHECK(a.channels == b.channels);
  CHECK(a.torque_counts == b.torque_counts);
  CHECK(a.motor_edges == b.motor_edges);
  CHECK(a.motor_edge_tick == b.motor_edge_tick);
  CHECK(a.handwheel_edges == b.handwheel_edges);
  CHECK(a.handwheel_edge_tick == b.handwheel_edge_tick);
  CHECK(a.supply_counts == b.supply_counts);
  CHECK(a.temperature_counts == b.temperature_counts);
}

}  // namespace

TEST_CASE("an identity is laid out as the specification says") {
  std::uint8_t payload[kWireMaxPayload];
  const WireIdentity identity = example_identity();
  const std::uint8_t expected[] = {0x04, 0x03, 0x02, 0x01,  // board number
                                   0x80, 0x84, 0x1E, 0x00,  // 2,000,000 ticks per second
                                   0x1F, 0x01,              // channels, cell on the brake
                                   0x06, 0x00, 0x02, 0x00,  // pulses per turn
                                   0x80, 0x38, 0x01, 0x00,  // 80,000 conversions per 1000 s
                                   0xA8, 0x61, 0x00, 0x00,  // 25,000 µs
                                   0xA0, 0x86, 0x01, 0x00,  // 100,000 µm
                                   0x00, 0x00, 0x80, 0x3E,  // 0.25f
                                   0x00, 0x00, 0x00, 0x3F,  // 0.5f
                                   0x00, 0x00, 0x48, 0xC2,  // -50f
                                   0x07, 'b',  'e',  'n',  'c', 'h', ' ', '1'};
  REQUIRE(wire_identity_pack(&identity, payload) == sizeof expected);
  CHECK(std::memcmp(payload, expected, sizeof expected) == 0);
  WireIdentity back{};
  REQUIRE(wire_identity_unpack(expected, sizeof expected, &back));
  CHECK(back.cell_delay_us == 25000);
  CHECK(back.temperature_c_offset == -50.0f);
  CHECK(std::string(back.firmware) == "bench 1");
}

TEST_CASE("a sample is laid out as the specification's example") {
  const std::uint8_t expected[] = {0x02, 0x01, 0x00, 0x00, 0x40, 0x42, 0x0F, 0x00, 0x03, 0x2E, 0xFB,
                                   0xFF, 0xFF, 0x4D, 0x00, 0x00, 0x00, 0x4C, 0x40, 0x0F, 0x00};
  WireSample sample{};
  sample.number = 258;
  sample.tick = 1000000;
  sample.channels = kWireLoadCell | kWireMotorTach;
  sample.torque_counts = -1234;
  sample.motor_edges = 77;
  sample.motor_edge_tick = 999500;
  std::uint8_t payload[kWireMaxPayload];
  REQUIRE(wire_sample_pack(&sample, payload) == sizeof expected);
  CHECK(std::memcmp(payload, expected, sizeof expected) == 0);
}

TEST_CASE("samples of any channels come back, and no shorter payload is taken for one") {
  std::mt19937 dice(11);
  for (int trial = 0; trial < 500; ++trial) {
    const WireSample sample = random_sample(dice);
    std::uint8_t payload[kWireMaxPayload];
    const std::uint8_t size = wire_sample_pack(&sample, payload);
    REQUIRE(size <= kWireSampleMaxSize);
    WireSample back{};
    REQUIRE(wire_sample_unpack(payload, size, &back));
    check_same(sample, back);
    for (std::uint8_t cut = 0; cut < size; ++cut) {
      back.number = 42;
      CHECK_FALSE(wire_sample_unpack(payload, cut, &back));
      CHECK(back.number == 42);
    }
    // A later version appends.
    REQUIRE(wire_sample_unpack(payload, static_cast<std::uint8_t>(size + 5), &back));
    check_same(sample, back);
  }
}

TEST_CASE("extreme counts keep their sign") {
  for (const std::int32_t counts : {std::numeric_limits<std::int32_t>::min(), -8388608, -1, 0,
                                    8388607, std::numeric_limits<std::int32_t>::max()}) {
    WireSample sample{}, back{};
    sample.channels = kWireLoadCell | kWireSupply | kWireTemperature;
    sample.torque_counts = sample.supply_counts = sample.temperature_counts = counts;
    std::uint8_t payload[kWireMaxPayload];
    REQUIRE(wire_sample_unpack(payload, wire_sample_pack(&sample, payload), &back));
    check_same(sample, back);
  }
}

TEST_CASE("an identity that contradicts itself or is cut is refused") {
  std::uint8_t payload[kWireMaxPayload];
  WireIdentity identity = example_identity(), back{};
  const std::uint8_t size = wire_identity_pack(&identity, payload);
  for (std::uint8_t cut = 0; cut < size; ++cut)
    CHECK_FALSE(wire_identity_unpack(payload, cut, &back));
  payload[kWireIdentityFixedSize - 1] = kWireMaxFirmwareText + 1;
  CHECK_FALSE(wire_identity_unpack(payload, kWireMaxPayload, &back));
  identity.tick_hz = 0;
  CHECK_FALSE(wire_identity_unpack(payload, wire_identity_pack(&identity, payload), &back));
  identity = example_identity();
  identity.motor_pulses_per_turn = 0;
  CHECK_FALSE(wire_identity_unpack(payload, wire_identity_pack(&identity, payload), &back));
  identity.channels &= static_cast<std::uint8_t>(~kWireMotorTach);
  CHECK(wire_identity_unpack(payload, wire_identity_pack(&identity, payload), &back));
}

TEST_CASE("texts fill their room and no more") {
  std::uint8_t payload[kWireMaxPayload];
  WireIdentity identity = example_identity(), back{};
  std::memset(identity.firmware, 'x', sizeof identity.firmware);  // no terminating zero
  const std::uint8_t size = wire_identity_pack(&identity, payload);
  CHECK(size == int{kWireIdentityFixedSize} + int{kWireMaxFirmwareText});
  REQUIRE(wire_identity_unpack(payload, size, &back));
  CHECK(std::string(back.firmware) == std::string(kWireMaxFirmwareText, 'x'));
}

TEST_CASE("status and error come back, and no shorter payload is taken for one") {
  std::mt19937 dice(12);
  const auto word = [&] { return static_cast<std::uint32_t>(dice()); };
  std::uint8_t payload[kWireMaxPayload];
  const WireStatus status{
      1,      kWireWatchdog, kWireConverterSilent, word(), word(), word(), word(), word(),
      word(), word()};
  const std::uint8_t size = wire_status_pack(&status, payload);
  REQUIRE(size == kWireStatusSize);
  WireStatus back{};
  REQUIRE(wire_status_unpack(payload, size, &back));
  CHECK(std::memcmp(&back, &status, offsetof(WireStatus, tick)) == 0);
  CHECK(back.tick == status.tick);
  CHECK(back.resets == status.resets);
  CHECK(back.samples == status.samples);
  CHECK(back.unsent_samples == status.unsent_samples);
  CHECK(back.missed_conversions == status.missed_conversions);
  CHECK(back.missed_edges == status.missed_edges);
  CHECK(back.bad_frames == status.bad_frames);
  for (std::uint8_t cut = 0; cut < size; ++cut)
    CHECK_FALSE(wire_status_unpack(payload, cut, &back));

  WireError error{}, error_back{};
  error.code = kWireConverterStuck;
  error.about_type = kWireStart;
  error.tick = word();
  std::strcpy(error.text, "load-cell converter gives no data");
  const std::uint8_t error_size = wire_error_pack(&error, payload);
  REQUIRE(wire_error_unpack(payload, error_size, &error_back));
  CHECK(error_back.code == error.code);
  CHECK(error_back.about_type == error.about_type);
  CHECK(error_back.tick == error.tick);
  CHECK(std::string(error_back.text) == error.text);
  for (std::uint8_t cut = 0; cut < error_size; ++cut)
    CHECK_FALSE(wire_error_unpack(payload, cut, &error_back));
}
