// What comes out of a spoilt line: every whole sample once, every gap told, no wrong number.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <random>
#include <utility>

#include "db/basis/error.h"
#include "logger/line/frame_reader.h"
#include "logger/line/printed_line_reader.h"
#include "tests/logger/support/played_rig.h"

using namespace loadline;

namespace {

constexpr std::chrono::nanoseconds kNoHostTime{0};
constexpr std::uint32_t kTicksPerSample = 25'000;  // 2 MHz over 80 conversions a second

/// Frames of a run of `count` samples, each on its own, with the identity first.
std::vector<std::vector<std::uint8_t>> run_frames(std::uint32_t count,
                                                  std::uint32_t first_tick = 1'000'000) {
  std::vector<std::vector<std::uint8_t>> frames;
  FrameWriter writer;
  const WireIdentity identity = usual_identity();
  writer.identity(identity);
  frames.push_back(std::exchange(writer.bytes, {}));
  for (std::uint32_t i = 0; i < count; ++i) {
    writer.sample(usual_sample(i, first_tick + i * kTicksPerSample, identity));
    frames.push_back(std::exchange(writer.bytes, {}));
  }
  return frames;
}

Haul read_all(FrameReader& reader, const std::vector<std::vector<std::uint8_t>>& frames) {
  Haul haul;
  for (const auto& frame : frames) reader.take(frame, kNoHostTime, haul);
  reader.finish(haul);
  return haul;
}

/// The sample that a rig of this file makes at `tick` of the run.
bool is_true(const Sample& sample) {
  if (sample.tick % kTicksPerSample != 0) return false;
  const auto number = static_cast<std::uint32_t>(sample.tick / kTicksPerSample);
  const WireSample truth =
      usual_sample(number, 1'000'000 + static_cast<std::uint32_t>(sample.tick), usual_identity());
  const bool edges = sample.motor_edges == std::int64_t{truth.motor_edges};
  const bool edge_tick = truth.motor_edges == 0 ||
                         sample.motor_edge_tick == std::int64_t{truth.motor_edge_tick} - 1'000'000;
  return sample.torque_counts == truth.torque_counts && edges && edge_tick;
}

}  // namespace

TEST_CASE("Frames arrive byte by byte, in odd portions or all at once: the samples are the same") {
  std::vector<std::uint8_t> line;
  for (const auto& frame : run_frames(300)) line.insert(line.end(), frame.begin(), frame.end());
  for (const std::size_t portion : {std::size_t{1}, std::size_t{7}, std::size_t{64}, line.size()}) {
    FrameReader reader;
    Haul haul;
    for (std::size_t at = 0; at < line.size(); at += portion)
      reader.take(std::span(line).subspan(at, std::min(portion, line.size() - at)), kNoHostTime,
                  haul);
    reader.finish(haul);
    CHECK(haul.samples.size() == 300);
    CHECK(std::all_of(haul.samples.begin(), haul.samples.end(), is_true));
    CHECK(haul.events.empty());
  }
}

TEST_CASE("Ticks that wrap in the run go on rising") {
  FrameReader reader;
  // 2^32 ticks end 10 samples after the start.
  const Haul haul = read_all(reader, run_frames(40, 0xFFFFFFFFu - 10 * kTicksPerSample));
  REQUIRE(haul.samples.size() == 40);
  for (std::size_t i = 0; i < 40; ++i)
    CHECK(haul.samples[i].tick == static_cast<std::int64_t>(i) * kTicksPerSample);
}

TEST_CASE("A lost frame is one gap with its length, and one lost sample") {
  auto frames = run_frames(100);
  frames.erase(frames.begin() + 50, frames.begin() + 53);
  FrameReader reader;
  const Haul haul = read_all(reader, frames);
  CHECK(haul.samples.size() == 97);
  CHECK(reader.counts().lost == 3);
  REQUIRE(haul.events.size() == 1);
  CHECK(haul.events[0].kind == EventKind::kGap);
  CHECK(haul.events[0].length_s == doctest::Approx(3 / 80.0).epsilon(0.01));
  // The last sample before it is number 48 (frame 0 is the identity).
  CHECK(haul.events[0].tick == 48 * kTicksPerSample);
}

TEST_CASE("A frame that comes twice is stored once") {
  auto frames = run_frames(100);
  frames.insert(frames.begin() + 50, frames[49]);
  frames.insert(frames.begin() + 70, frames[60]);  // and one that comes late
  FrameReader reader;
  const Haul haul = read_all(reader, frames);
  CHECK(haul.samples.size() == 100);
  CHECK(reader.counts().repeated == 2);
  CHECK(haul.events.empty());
}

TEST_CASE("A wrong number behind a right checksum is left out, its neighbours kept") {
  // The checksum cannot see these: they are sound frames with a wrong field each.
  const auto spoil = [](void (*change)(WireSample&)) {
    auto frames = run_frames(200);
    WireSample sample = usual_sample(100, 1'000'000 + 100 * kTicksPerSample, usual_identity());
    change(sample);
    FrameWriter writer;
    writer.sample(sample);
    frames[101] = writer.bytes;
    FrameReader reader;
    const Haul haul = read_all(reader, frames);
    CHECK(haul.samples.size() == 199);
    CHECK(std::all_of(haul.samples.begin(), haul.samples.end(), is_true));
    CHECK(reader.counts().implausible == 1);
  };
  SUBCASE("sample number") {
    spoil([](WireSample& s) { s.number ^= 0x40000; });
  }
  SUBCASE("tick far ahead") {
    spoil([](WireSample& s) { s.tick += 7'000'000; });
  }
  SUBCASE("tick back") {
    spoil([](WireSample& s) { s.tick -= 7'000'000; });
  }
  SUBCASE("edges beyond any motor") {
    spoil([](WireSample& s) { s.motor_edges += 5'000; });
  }
  SUBCASE("edges going back") {
    spoil([](WireSample& s) { s.motor_edges -= 40; });
  }
  SUBCASE("last edge long before the sample before") {
    spoil([](WireSample& s) { s.motor_edge_tick -= 3'000'000; });
  }
  SUBCASE("counts beyond the converter") {
    spoil([](WireSample& s) { s.torque_counts = 1 << 25; });
  }
  SUBCASE("a channel that the rig has not") {
    spoil([](WireSample& s) { s.channels |= kWireSupply; });
  }
}

TEST_CASE("Of millions of damaged frames the checksum lets 2^-16 through, the neighbours none") {
  // Uniformly random payload and checksum behind a sound stuffing: the worst that a line can do.
  // Theory: n frames pass the 16-bit check n/65536 times, with the standard deviation of its root.
  constexpr int kFrames = 2'000'000;
  std::mt19937_64 dice(20261125);
  const auto frames = run_frames(2'000);
  FrameReader reader;
  Haul haul;
  reader.take(frames[0], kNoHostTime, haul);
  std::size_t next = 1;
  for (int i = 0; i < kFrames; ++i) {
    std::uint8_t body[32];
    for (std::uint8_t& byte : body) byte = static_cast<std::uint8_t>(dice());
    body[0] = kWireVersion;
    body[1] = kWireSample;
    std::uint8_t line[40];
    const std::size_t size = wire_cobs_encode(body, sizeof body, line, sizeof line);
    line[size] = 0;
    reader.take({line, size + 1}, kNoHostTime, haul);
    if (i % 1'001 == 0 && next < frames.size()) reader.take(frames[next++], kNoHostTime, haul);
  }
  for (; next < frames.size(); ++next) reader.take(frames[next], kNoHostTime, haul);
  reader.finish(haul);
  const LineCounts counts = reader.counts();
  const double passed = static_cast<double>(counts.whole) - static_cast<double>(frames.size());
  const double expected = kFrames / 65536.0;
  MESSAGE("of " << kFrames << " damaged frames " << passed << " passed the checksum (theory "
                << expected << "), " << haul.samples.size() - 2'000 << " entered the run");
  CHECK(std::abs(passed - expected) < 5 * std::sqrt(expected));
  CHECK(haul.samples.size() == 2'000);
  CHECK(std::all_of(haul.samples.begin(), haul.samples.end(), is_true));
}

TEST_CASE(
    "Bits flip, bytes vanish, garbage bursts: what is stored is true, and all is accounted for") {
  std::mt19937_64 dice(7);
  std::uniform_real_distribution<double> chance(0, 1);
  for (int round = 0; round < 20; ++round) {
    const auto frames = run_frames(4'000);
    FrameReader reader;
    Haul haul;
    // The first two samples arrive whole, so that the run's tick 0 is that of sample 0.
    for (std::size_t i = 0; i < 3; ++i) reader.take(frames[i], kNoHostTime, haul);
    for (std::size_t i = 3; i < frames.size(); ++i) {
      std::vector<std::uint8_t> bytes = frames[i];
      for (std::uint8_t& byte : bytes)
        if (chance(dice) < 0.002) byte ^= static_cast<std::uint8_t>(1u << (dice() % 8));
      if (chance(dice) < 0.01)
        bytes.erase(bytes.begin() + static_cast<long>(dice() % bytes.size()));
      if (chance(dice) < 0.002)
        for (int k = 0; k < 200; ++k) bytes.push_back(static_cast<std::uint8_t>(dice()));
      reader.take(bytes, kNoHostTime, haul);
    }
    reader.finish(haul);
    CHECK(std::all_of(haul.samples.begin(), haul.samples.end(), is_true));
    CHECK(std::is_sorted(haul.samples.begin(), haul.samples.end(),
                         [](const Sample& a, const Sample& b) { return a.tick < b.tick; }));
    // From the first to the last sample nothing is missing that is not counted as lost.
    const auto made = (haul.samples.back().tick - haul.samples.front().tick) / kTicksPerSample + 1;
    CHECK(static_cast<std::int64_t>(haul.samples.size() + reader.counts().lost) == made);
    double gaps = 0;
    for (const RunEvent& event : haul.events) gaps += event.length_s;
    CHECK(gaps * 80 == doctest::Approx(static_cast<double>(reader.counts().lost)).epsilon(0.02));
  }
}

TEST_CASE("A stuck converter leaves the torque out and keeps the speed") {
  auto frames = run_frames(50);
  FrameWriter writer;
  for (std::uint32_t i = 50; i < 60; ++i) {
    WireSample sample = usual_sample(i, 1'000'000 + i * kTicksPerSample, usual_identity());
    sample.channels = kWireMotorTach;
    sample.torque_counts = 0;
    writer.sample(sample);
  }
  frames.push_back(writer.bytes);
  FrameReader reader;
  const Haul haul = read_all(reader, frames);
  REQUIRE(haul.samples.size() == 60);
  CHECK_FALSE(haul.samples.back().torque_counts.has_value());
  CHECK(haul.samples.back().motor_edges.has_value());
}

TEST_CASE("Printed lines: what fits is read, what does not is counted, nothing is guessed") {
  PrintedLineReader reader(read_description("t_ms,motor_rpm,grams", "comma"), 0.1, true);
  const std::string text =
      "t,rpm,g\n"           // a heading
      "1000,3000,500\r\n"   //
      "1010, 3001 , 501\n"  //
      "1020,3002\n"         // a column short
      "1030,30x2,502\n"     // a letter in the number
      "1040,nan,503\n"      // no number to count with
      "1050,3003,504,9\n"   // a column long
      "1060,3004,505\n"     //
      "1060,3004,505\n"     // the same line again
      "1070,3005,5";        // without its end it may have lost digits
  Haul haul;
  reader.take({reinterpret_cast<const std::uint8_t*>(text.data()), text.size()}, kNoHostTime, haul);
  reader.finish(haul);
  REQUIRE(haul.readings.size() == 3);
  CHECK(haul.readings[0].time_s == 0);
  CHECK(haul.readings[2].time_s == doctest::Approx(0.06));
  CHECK(haul.readings[1].motor_rpm == 3001);
  // 500 g on an arm of 0.1 m at standard gravity (9.80665 m/s², ISO 80000-3).
  CHECK(haul.readings[0].torque_nm == doctest::Approx(0.5 * 9.80665 * 0.1));
  CHECK(reader.counts().damaged == 5);
  CHECK(reader.counts().repeated == 1);
  CHECK(reader.damaged_example() == "t,rpm,g");
}

TEST_CASE("A line that came twice confirms nothing, and a clock that began anew never runs back") {
  const auto read = [](const std::string& text) {
    PrintedLineReader reader(read_description("t_ms,motor_rpm,kilograms", "comma"), 0.1, true);
    Haul haul;
    reader.take({reinterpret_cast<const std::uint8_t*>(text.data()), text.size()}, kNoHostTime,
                haul);
    reader.finish(haul);
    return haul;
  };
  // 6 ms may be a damaged line; the same line again is no second witness.
  Haul haul = read("1000,3000,1\n1020,3002,1\n6,3,1\n6,3,1\n1030,3003,1\n");
  CHECK(haul.events.empty());
  REQUIRE(haul.readings.size() == 3);
  CHECK(haul.readings[2].time_s == doctest::Approx(0.03));
  // Two different lines are one. Over many times none may fall, not even by the rounding of a sum.
  for (int last = 1001; last < 1400; ++last) {
    haul = read("1000,3000,1\n" + std::to_string(last) + ",3002,1\n6,3,1\n6,4,1\n");
    CAPTURE(last);
    REQUIRE(haul.readings.size() == 4);
    REQUIRE(haul.events.size() == 1);
    CHECK(haul.events[0].kind == EventKind::kReset);
    for (std::size_t i = 1; i < 4; ++i)
      CHECK(haul.readings[i].time_s >= haul.readings[i - 1].time_s);
  }
}

TEST_CASE("A printed number that overflows by its factor is no reading") {
  PrintedLineReader reader(read_description("t_ms,motor_rpm,kilograms", "comma"), 0.1, true);
  const std::string text = "1000,3000,1e308\n1e300,3000,1\n1010,1e308,1\n";
  Haul haul;
  reader.take({reinterpret_cast<const std::uint8_t*>(text.data()), text.size()}, kNoHostTime, haul);
  reader.finish(haul);
  CHECK(haul.readings.empty());
  CHECK(reader.counts().implausible == 3);
}

TEST_CASE("A description that cannot be meant is refused with its column") {
  CHECK_THROWS_WITH_AS(read_description("t_ms,rpm", "comma"), doctest::Contains("'rpm'"), Error);
  CHECK_THROWS_WITH_AS(read_description("motor_rpm", "comma"), doctest::Contains("time"), Error);
  CHECK_THROWS_WITH_AS(read_description("t_s,grams,torque_nm", "comma"),
                       doctest::Contains("torque_nm"), Error);
  CHECK_THROWS_AS(PrintedLineReader(read_description("t_s,grams", "comma"), std::nullopt, true),
                  Error);
}
