// The real firmware image on an emulated microcontroller: what it sends is what happened at its
// pins, to the tick; and what it does when something is broken.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <string>
#include <vector>

#include "emulated_board.h"
#include "tests/firmware-protocol/heard.h"

namespace loadline::simrig {
namespace {

constexpr double kTick = 0.5e-6;

/// Conversions at the true rate from the start on; counts name the conversion.
void convert(EmulatedBoard& board, double rate, double from_s, double until_s) {
  for (int n = static_cast<int>(std::ceil(from_s * rate)); n / rate < until_s; ++n)
    board.conversion(n / rate, 1000 * n - 300000);
}

/// Lets the board begin, then sends a start.
void start(EmulatedBoard& board) {
  board.run_until(0.02);
  board.send_command(kWireStart);
}

/// The rig's clock begins a fraction of a millisecond after power-on: when, from the first edge
/// that a sample names. All else must agree with that.
double clock_begun(const std::vector<WireSample>& samples, const std::vector<double>& edges) {
  for (const WireSample& x : samples)
    if (x.motor_edges > 0) return edges.at(x.motor_edges - 1) - x.motor_edge_tick * kTick;
  return 0.0;
}

}  // namespace

TEST_CASE("after power-on the board introduces itself") {
  EmulatedBoard board(LOADLINE_FIRMWARE_IMAGE, 80);
  board.run_until(0.05);
  const auto bytes = board.output();
  REQUIRE(!bytes.empty());
  CHECK(bytes[0] == 0);  // the zero that clears the line
  Heard heard;
  heard(bytes);
  CHECK(wire_dropped(&heard.decoder.counters) == 0);
  REQUIRE(heard.identities.size() == 1);
  const WireIdentity& id = heard.identities[0];
  CHECK(id.tick_hz == 2000000);
  CHECK(id.channels == kWireAllChannels);
  CHECK(id.cell_position == kWireCellOnBrake);
  CHECK(id.motor_pulses_per_turn == 6);
  CHECK(id.converter_millihertz == 80000);
  CHECK(id.cell_delay_us == 25000);
  CHECK(id.supply_v_per_count == doctest::Approx(400.0 / (1024 * 16)));
  CHECK(std::string(id.firmware).find("atmega328p") != std::string::npos);
  REQUIRE(heard.states.size() == 1);
  CHECK(heard.states[0].reset_cause == kWirePowerOn);
  CHECK(heard.states[0].resets == 0);
  CHECK(heard.states[0].streaming == 0);
  CHECK(heard.samples.empty());
}

TEST_CASE("the rate pin tells ten conversions a second from eighty") {
  EmulatedBoard board(LOADLINE_FIRMWARE_IMAGE, 10);
  Heard heard;
  convert(board, 10.0, 0.1, 2.0);
  start(board);
  board.run_until(2.0);
  heard(board.output());
  REQUIRE(heard.identities.size() == 1);
  CHECK(heard.identities[0].converter_millihertz == 10000);
  CHECK(heard.identities[0].cell_delay_us == 200000);
  CHECK(heard.samples.size() == 19);
  CHECK(heard.states.back().missed_conversions == 0);
}

// 12,000 rpm on both shafts with six slots each is 1200 edges a second on each input.
TEST_CASE("eighty conversions a second and 12,000 rpm on both tachometers lose nothing") {
  EmulatedBoard board(LOADLINE_FIRMWARE_IMAGE, 80);
  Heard heard;
  const double from = 0.1, until = 5.0;
  std::vector<double> motor, wheel;
  for (int n = 0; from + n / 1200.0 < until; ++n) motor.push_back(from + n / 1200.0);
  // Not quite the same pace, so that the two meet in every phase.
  for (int n = 0; from + n / 1193.0 < until; ++n) wheel.push_back(from + n / 1193.0);
  for (const double t : motor) board.motor_edge(t);
  for (const double t : wheel) board.handwheel_edge(t);
  convert(board, 80.0, 0.03, until);
  start(board);
  board.run_until(until + 0.01);
  heard(board.output());

  CHECK(wire_dropped(&heard.decoder.counters) == 0);
  CHECK(heard.decoder.counters.missing == 0);
  CHECK(board.unread_conversions() == 0);
  CHECK(board.broken_readings() == 0);
  CHECK(board.longest_clock_s() < 50e-6);  // data sheet: above 60 µs the converter switches off
  REQUIRE(heard.samples.size() == 397);    // conversions 3 … 399
  const double begun = clock_begun(heard.samples, motor);
  double worst_motor = 0.0, worst_wheel = 0.0, worst_conversion = 0.0;
  for (std::size_t k = 0; k < heard.samples.size(); ++k) {
    const WireSample& x = heard.samples[k];
    CHECK(x.number == k);
    const int n = static_cast<int>(k) + 3;
    CHECK(x.torque_counts == 1000 * n - 300000);
    worst_conversion = std::max(worst_conversion, std::abs(begun + x.tick * kTick - n / 80.0));
    // Count and tick belong together: the tick is that of the edge that the count names.
    if (x.motor_edges > 0) {
      REQUIRE(x.motor_edges <= motor.size());
      worst_motor = std::max(
          worst_motor, std::abs(begun + x.motor_edge_tick * kTick - motor[x.motor_edges - 1]));
    }
    if (x.handwheel_edges > 0) {
      REQUIRE(x.handwheel_edges <= wheel.size());
      worst_wheel = std::max(worst_wheel, std::abs(begun + x.handwheel_edge_tick * kTick -
                                                   wheel[x.handwheel_edges - 1]));
    }
    // The pair is the latest known: no edge older than what the sample names is missing.
    CHECK(x.motor_edges + 2 >=
          std::upper_bound(motor.begin(), motor.end(), begun + x.tick * kTick) - motor.begin());
  }
  CHECK(begun > 0.0);
  CHECK(begun < 1e-3);
  CHECK(worst_motor <= 2 * kTick);  // captured by hardware
  CHECK(worst_wheel < 25e-6);       // by interrupt, behind other interrupts
  CHECK(worst_conversion < 25e-6);
  REQUIRE(heard.states.size() >= 5);  // one each second
  CHECK(heard.states.back().missed_edges == 0);
  CHECK(heard.states.back().missed_conversions == 0);
  CHECK(heard.states.back().unsent_samples == 0);
  MESSAGE("worst edge error: motor " << worst_motor * 1e6 << " us, hand wheel " << worst_wheel * 1e6
                                     << " us, conversion " << worst_conversion * 1e6 << " us");
}

// Twenty slots at 12,000 rpm on both shafts: the most that the firmware's page promises.
TEST_CASE("four thousand edges a second on both inputs are all counted and all timed") {
  EmulatedBoard board(LOADLINE_FIRMWARE_IMAGE, 80);
  Heard heard;
  std::vector<double> motor, wheel;
  for (int n = 0; n < 6000; ++n) motor.push_back(0.05 + n / 4000.0);
  for (int n = 0; n < 6000; ++n) wheel.push_back(0.05 + n / 3989.0);
  for (const double t : motor) board.motor_edge(t);
  for (const double t : wheel) board.handwheel_edge(t);
  convert(board, 80.0, 0.03, 1.7);
  start(board);
  board.run_until(1.7);
  heard(board.output());
  REQUIRE(heard.samples.size() > 120);
  CHECK(heard.samples.back().motor_edges == 6000);
  CHECK(heard.samples.back().handwheel_edges == 6000);
  CHECK(heard.states.back().missed_edges == 0);
  CHECK(heard.samples.back().number + 1 == heard.samples.size());
  const double begun = clock_begun(heard.samples, motor);
  double worst = 0.0;
  for (const WireSample& x : heard.samples) {
    if (x.motor_edges == 0 || x.handwheel_edges == 0) continue;
    CHECK(std::abs(begun + x.motor_edge_tick * kTick - motor[x.motor_edges - 1]) <= 2 * kTick);
    worst = std::max(
        worst, std::abs(begun + x.handwheel_edge_tick * kTick - wheel[x.handwheel_edges - 1]));
  }
  CHECK(worst < 40e-6);
}

TEST_CASE("raw counts keep sign and size over the whole range") {
  EmulatedBoard board(LOADLINE_FIRMWARE_IMAGE, 80);
  Heard heard;
  const std::int32_t counts[] = {0, 1, -1, 8388607, -8388608, 0x555555, -0x2AAAAB};
  int n = 3;
  for (const std::int32_t c : counts) board.conversion(n++ / 80.0, c);
  start(board);
  board.run_until(n / 80.0);
  heard(board.output());
  REQUIRE(heard.samples.size() == std::size(counts));
  for (std::size_t k = 0; k < std::size(counts); ++k)
    CHECK(heard.samples[k].torque_counts == counts[k]);
}

TEST_CASE("the analogue channels read what is at their pins") {
  EmulatedBoard board(LOADLINE_FIRMWARE_IMAGE, 80);
  Heard heard;
  board.supply_millivolts(0.01, 230.0 * kSupplyMillivoltsPerVolt);
  board.temperature_millivolts(0.01, 215.0);
  convert(board, 80.0, 0.1, 0.5);
  start(board);
  board.run_until(0.5);
  heard(board.output());
  REQUIRE(heard.samples.size() > 20);
  const WireIdentity& id = heard.identities.at(0);
  const WireSample& x = heard.samples.back();
  // One step of the converter is 0.39 V and 0.49 K.
  CHECK(double{id.supply_v_per_count} * x.supply_counts == doctest::Approx(230.0).epsilon(0.002));
  CHECK(double{id.temperature_c_per_count} * x.temperature_counts + id.temperature_c_offset ==
        doctest::Approx(21.5).epsilon(0.03));
}

TEST_CASE("commands: start, stop, who-are-you while sending, and what it does not know") {
  EmulatedBoard board(LOADLINE_FIRMWARE_IMAGE, 80);
  Heard heard;
  convert(board, 80.0, 0.03, 3.0);
  board.run_until(0.5);
  heard(board.output());
  CHECK(heard.samples.empty());
  board.send_command(kWireStart);
  board.run_until(1.0);
  board.send_command(kWireWhoAreYou);
  board.run_until(1.5);
  heard(board.output());
  CHECK(heard.identities.size() == 2);
  const std::size_t running = heard.samples.size();
  CHECK(running >= 79);
  for (std::size_t k = 0; k < running; ++k) CHECK(heard.samples[k].number == k);
  board.send_command(kWireStop);
  board.run_until(2.0);
  heard(board.output());
  CHECK(heard.samples.size() <= running + 1);
  CHECK(heard.states.back().streaming == 0);
  board.send({0x13, 0x37, 0x00, 0xFF, 0x00});  // noise
  board.send_command(0x55);
  const std::uint8_t foreign[] = {9, kWireStart, 0};
  const std::uint16_t crc = wire_crc(kWireCrcStart, foreign, 3);
  const std::uint8_t body[] = {9, kWireStart, 0, static_cast<std::uint8_t>(crc & 0xFF),
                               static_cast<std::uint8_t>(crc >> 8)};
  std::vector<std::uint8_t> line(8);
  line.resize(wire_cobs_encode(body, sizeof body, line.data(), line.size()));
  line.push_back(0);
  board.send(line);
  board.send_command(kWireStart);
  board.run_until(2.5);
  heard(board.output());
  REQUIRE(heard.errors.size() == 2);
  CHECK(heard.errors[0].code == kWireUnknownType);
  CHECK(heard.errors[0].about_type == 0x55);
  CHECK(heard.errors[1].code == kWireForeignVersion);
  CHECK(heard.states.back().bad_frames == 3);
  CHECK(heard.samples.back().number + 1 ==
        heard.samples.size() - running - (heard.samples[running].number == 0 ? 0 : 1));
}

TEST_CASE("a line that is too slow loses whole samples and counts them") {
  EmulatedBoard board(LOADLINE_FIRMWARE_IMAGE, 80);
  Heard heard;
  convert(board, 80.0, 0.03, 2.0);
  start(board);
  board.run_until(0.5);
  // A host that asks sixty times at once: each answer is some 120 bytes for 7 bytes of question, so
  // the line is full for more than half a second.
  for (int n = 0; n < 60; ++n) board.send_command(kWireWhoAreYou);
  board.run_until(2.0);
  heard(board.output());
  CHECK(wire_dropped(&heard.decoder.counters) == 0);
  CHECK(heard.decoder.counters.missing == 0);
  const std::uint32_t made = heard.samples.back().number + 1;
  std::uint32_t jumped = heard.samples.front().number;
  for (std::size_t k = 1; k < heard.samples.size(); ++k) {
    CHECK(heard.samples[k].number > heard.samples[k - 1].number);
    jumped += heard.samples[k].number - heard.samples[k - 1].number - 1;
  }
  CHECK(jumped == made - heard.samples.size());
  CHECK(jumped > 0);
  board.send_command(kWireStop);
  board.run_until(2.1);
  heard(board.output());
  CHECK(heard.states.back().unsent_samples == jumped);
}

TEST_CASE("reset in mid-run: the board says so, counts from zero, waits for a start") {
  EmulatedBoard board(LOADLINE_FIRMWARE_IMAGE, 80);
  Heard heard;
  for (int n = 0; n < 2400; ++n) board.motor_edge(0.1 + n / 1000.0);
  convert(board, 80.0, 0.03, 2.5);
  start(board);
  board.run_until(1.0);
  board.reset();
  board.run_until(1.5);
  heard(board.output());
  CHECK(wire_dropped(&heard.decoder.counters) <= 1);  // at most the frame that was cut off
  REQUIRE(heard.identities.size() == 2);
  CHECK(heard.states.back().streaming == 0);
  CHECK(heard.states.back().samples == 0);
  const std::size_t before = heard.samples.size();
  board.send_command(kWireStart);
  board.run_until(2.5);
  heard(board.output());
  REQUIRE(heard.samples.size() > before + 70);
  const WireSample& first = heard.samples[before];
  CHECK(first.number == 0);
  CHECK(first.tick * kTick < 0.6);
  CHECK(first.motor_edges < 600);
  CHECK(first.motor_edges > 400);
}

TEST_CASE("a program that hangs is reset by the watchdog, and the board says that") {
  EmulatedBoard board(LOADLINE_FIRMWARE_IMAGE, 80);
  Heard heard;
  board.run_until(0.2);
  board.hang();
  board.run_until(0.34);
  board.unhang();
  board.run_until(0.6);
  heard(board.output());
  CHECK(heard.identities.size() >= 2);
  CHECK((heard.states.back().reset_cause & kWireWatchdog) != 0);
  CHECK(heard.states.back().resets >= 1);
}

TEST_CASE("ticks and edges wrap without a seam") {
  EmulatedBoard board(LOADLINE_FIRMWARE_IMAGE, 80);
  Heard heard;
  board.run_until(0.01);
  // Some tenths of a second before the wrap, as after 35 minutes and four thousand million edges.
  REQUIRE(board.poke("high", 0xFFFA, 2));
  REQUIRE(board.poke("motor", 0xFFFFFF00u, 4));
  for (int n = 0; n < 900; ++n) board.motor_edge(0.05 + n / 1000.0);
  convert(board, 80.0, 0.03, 1.0);
  start(board);
  board.run_until(1.0);
  heard(board.output());
  REQUIRE(heard.samples.size() > 70);
  CHECK(heard.samples.back().tick < heard.samples.front().tick);
  CHECK(heard.samples.back().motor_edges < heard.samples.front().motor_edges);
  for (std::size_t k = 1; k < heard.samples.size(); ++k) {
    const WireSample &a = heard.samples[k - 1], &b = heard.samples[k];
    // The jump of the clock itself looks to the board like a converter that was silent.
    if ((a.channels & b.channels & kWireLoadCell) == 0) continue;
    const std::uint32_t ticks = b.tick - a.tick;
    CHECK(ticks * kTick == doctest::Approx(1.0 / 80.0).epsilon(0.002));
    const std::uint32_t edges = b.motor_edges - a.motor_edges;
    if (k > 3 && edges > 0) {  // before the first edge its tick means nothing
      const std::uint32_t span = b.motor_edge_tick - a.motor_edge_tick;
      CHECK(span * kTick == doctest::Approx(edges / 1000.0).epsilon(1e-4));
    }
  }
}

TEST_CASE("a converter that falls silent is reported once and speed goes on") {
  EmulatedBoard board(LOADLINE_FIRMWARE_IMAGE, 80);
  Heard heard;
  for (int n = 0; n < 3900; ++n) board.motor_edge(0.1 + n / 1000.0);
  convert(board, 80.0, 0.03, 1.0);
  convert(board, 80.0, 3.0, 4.0);
  start(board);
  board.run_until(4.0);
  heard(board.output());
  REQUIRE(heard.errors.size() == 1);
  CHECK(heard.errors[0].code == kWireConverterStuck);
  CHECK(heard.errors[0].tick * kTick == doctest::Approx(0.9875 + 0.05).epsilon(0.01));
  std::size_t without = 0;
  for (std::size_t k = 0; k < heard.samples.size(); ++k) {
    CHECK(heard.samples[k].number == k);
    if (heard.samples[k].channels & kWireLoadCell) continue;
    ++without;
    CHECK(heard.samples[k].torque_counts == 0);
    CHECK((heard.samples[k].channels & kWireMotorTach) != 0);
  }
  CHECK(without == doctest::Approx(157).epsilon(0.02));  // 1.96 s at the nominal pace
  CHECK(heard.samples.back().channels == kWireAllChannels);
  bool flagged = false;
  for (const WireStatus& s : heard.states) flagged = flagged || (s.faults & kWireConverterSilent);
  CHECK(flagged);
  CHECK((heard.states.back().faults & kWireConverterSilent) == 0);
}

TEST_CASE("a data line that is tied to ground is silence, not a torque of zero") {
  EmulatedBoard board(LOADLINE_FIRMWARE_IMAGE, 80);
  Heard heard;
  convert(board, 80.0, 0.03, 3.0);
  start(board);
  board.run_until(1.0);
  board.short_data_line(true);
  board.run_until(2.0);
  board.short_data_line(false);
  board.run_until(3.0);
  heard(board.output());
  for (const WireSample& x : heard.samples)
    if (x.channels & kWireLoadCell) CHECK((x.torque_counts + 300000) % 1000 == 0);
  CHECK(heard.errors.size() == 1);
  CHECK((heard.samples.back().channels & kWireLoadCell) != 0);
}

TEST_CASE("a tachometer that is unplugged stands still while all else goes on") {
  const Scenario s = parse_scenario(
      "[run]\nkind = top-speed\nlead_s = 0.3\naction_s = 2.2\ntail_s = 0\n[motor_tach]\n"
      "uneven = 0.02\n");
  EmulatedBoard board(LOADLINE_FIRMWARE_IMAGE, 80);
  BenchOnBoard bench(board, s, 4);
  Heard heard;
  start(board);
  while (bench.advance()) {
    bench.handwheel_tach_off = board.time_s() > 1.5;
    heard(board.output());
  }
  REQUIRE(heard.samples.size() > 190);
  const WireSample& middle = heard.samples[150];
  const WireSample& last = heard.samples.back();
  CHECK(last.handwheel_edges == middle.handwheel_edges);
  CHECK(last.motor_edges > middle.motor_edges + 200);
  CHECK(last.number == heard.samples.size() - 1);
}

// The bench in memory and the bench through the real firmware must tell the same story.
TEST_CASE("a run through the firmware equals the same run in memory") {
  const Scenario s = parse_scenario(
      "[run]\nkind = brake\nlead_s = 0.5\ntail_s = 0.5\n[brake]\nsettle_s = 1\nsweep_s = 4\n"
      "max_nm = 0.12\n[motor_tach]\nuneven = 0.02\n");
  EmulatedBoard board(LOADLINE_FIRMWARE_IMAGE, 80);
  BenchOnBoard bench(board, s, 4);
  Heard heard;
  start(board);
  std::vector<Moment> moments;
  std::vector<double> edges;
  while (bench.advance()) {
    moments.push_back(bench.moment());
    edges.insert(edges.end(), moments.back().motor_edges.begin(), moments.back().motor_edges.end());
    heard(board.output());
  }
  board.run_until(board.time_s() + 0.05);
  heard(board.output());
  CHECK(wire_dropped(&heard.decoder.counters) == 0);
  REQUIRE(heard.samples.size() + 1 >= moments.size());
  const std::size_t skipped = moments.size() - heard.samples.size();
  const double begun = clock_begun(heard.samples, edges);
  for (std::size_t k = 0; k < heard.samples.size(); ++k) {
    const Moment& m = moments[k + skipped];
    const WireSample& x = heard.samples[k];
    CHECK(x.torque_counts == m.torque_counts);
    CHECK(std::abs(begun + x.tick * kTick - m.time_s) < 25e-6);
    if (x.motor_edges > 0)
      CHECK(std::abs(begun + x.motor_edge_tick * kTick - edges[x.motor_edges - 1]) <= 2 * kTick);
  }
}

}  // namespace loadline::simrig
