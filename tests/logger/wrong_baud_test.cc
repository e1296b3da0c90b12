// A line read at another rate than it is sent: nothing of it may enter a run, and the person is
// told where to look.
//
// The receiver is the usual asynchronous one for 8 data bits without parity: a falling edge starts
// a byte, each bit is looked at in its middle, 1.5, 2.5 … bit times after that edge, and what was
// read is handed on whether the stop bit is there or not, as a terminal driver does that was not
// told otherwise.
#include <doctest/doctest.h>

#include <array>
#include <cmath>
#include <string>

#include "logger/line/frame_reader.h"
#include "logger/line/printed_line_reader.h"
#include "logger/recording.h"
#include "tests/logger/support/bench_book.h"
#include "tests/logger/support/played_rig.h"

using namespace loadline;

namespace {

// What serial devices and microcontrollers offer (common practice).
constexpr std::array kRates = {9'600, 19'200, 38'400, 57'600, 115'200, 230'400, 250'000, 500'000};
constexpr std::chrono::nanoseconds kNoHostTime{0};

/// The line's level over time in bits of the sender; high when nothing is sent.
std::vector<bool> levels(const std::vector<std::uint8_t>& bytes) {
  std::vector<bool> line(20, true);
  for (const std::uint8_t byte : bytes) {
    line.push_back(false);
    for (int bit = 0; bit < 8; ++bit) line.push_back((byte >> bit & 1) != 0);
    line.push_back(true);
  }
  line.insert(line.end(), 40, true);
  return line;
}

/// What a receiver makes of it whose bit lasts `ratio` of the sender's.
std::vector<std::uint8_t> received(const std::vector<std::uint8_t>& bytes, double ratio) {
  const std::vector<bool> line = levels(bytes);
  const auto at = [&](double t) {
    return t >= static_cast<double>(line.size()) || line[static_cast<std::size_t>(t)];
  };
  std::vector<std::uint8_t> out;
  for (std::size_t edge = 1; edge < line.size(); ++edge) {
    if (line[edge] || !line[edge - 1]) continue;
    unsigned byte = 0;
    for (int bit = 0; bit < 8; ++bit)
      if (at(static_cast<double>(edge) + ratio * (1.5 + bit))) byte |= 1U << bit;
    out.push_back(static_cast<std::uint8_t>(byte));
    // The next byte may begin in the middle of the stop bit at the earliest.
    const double end = static_cast<double>(edge) + ratio * 9.5;
    edge = std::max(edge, static_cast<std::size_t>(std::ceil(end)) - 1);
  }
  return out;
}

std::vector<std::uint8_t> run_bytes(std::uint32_t samples) {
  FrameWriter writer;
  const WireIdentity identity = usual_identity();
  writer.identity(identity);
  for (std::uint32_t i = 0; i < samples; ++i)
    writer.sample(usual_sample(i, 1'000'000 + i * 25'000, identity));
  return writer.bytes;
}

std::vector<std::uint8_t> printed_bytes(int lines) {
  std::string text;
  for (int i = 0; i < lines; ++i)
    text += std::to_string(1000 + i * 10) + "," + std::to_string(3000 + i % 7) + "," +
            std::to_string(500 + i % 5) + "\r\n";
  return {text.begin(), text.end()};
}

Haul read(LineReader& reader, const std::vector<std::uint8_t>& bytes) {
  Haul haul;
  reader.take(bytes, kNoHostTime, haul);
  reader.finish(haul);
  return haul;
}

double ratio_of(int sent_at, int read_at) { return static_cast<double>(sent_at) / read_at; }

}  // namespace

TEST_CASE("The receiver reads at its own rate, and at one as wrong as cheap clocks are") {
  const std::vector<std::uint8_t> bytes = run_bytes(200);
  // Half a bit at the end of 9.5 is what such a receiver bears: a little above 5 %.
  for (const double ratio : {0.97, 1.0, 1.03}) {
    CAPTURE(ratio);
    CHECK(received(bytes, ratio) == bytes);
  }
  CHECK(received(bytes, 1.08) != bytes);
}

TEST_CASE("Frames at a wrong rate give no sample, at the right one all") {
  const std::vector<std::uint8_t> bytes = run_bytes(2'000);
  std::uint64_t damaged = 0;
  for (const int sent_at : kRates)
    for (const int read_at : kRates) {
      CAPTURE(sent_at);
      CAPTURE(read_at);
      FrameReader reader;
      const Haul haul = read(reader, received(bytes, ratio_of(sent_at, read_at)));
      CHECK(haul.samples.size() == (sent_at == read_at ? 2'000U : 0U));
      CHECK(haul.events.empty());
      damaged += reader.counts().damaged;
    }
  MESSAGE(damaged << " frames of wrong rates were thrown away");
  CHECK(damaged > 1000);
}

TEST_CASE("Printed lines at a wrong rate give no reading, at the right one all") {
  const std::vector<std::uint8_t> bytes = printed_bytes(2'000);
  for (const int sent_at : kRates)
    for (const int read_at : kRates) {
      CAPTURE(sent_at);
      CAPTURE(read_at);
      PrintedLineReader reader(read_description("t_ms,motor_rpm,grams", "comma"), 0.1, true);
      const Haul haul = read(reader, received(bytes, ratio_of(sent_at, read_at)));
      CHECK(haul.readings.size() == (sent_at == read_at ? 2'000U : 0U));
    }
}

TEST_CASE("A rig that is listened to at a wrong rate is refused with a word about --baud") {
  const testing::Scratch folder;
  Book book = bench_book(folder);
  SimulatedClock clock;
  PlayedRig rig(clock);
  rig.spoil = [](std::vector<std::uint8_t>& bytes) {
    bytes = received(bytes, ratio_of(115'200, 57'600));
  };
  FrameReader reader;
  Recording recording(clock, rig, reader, book, {});
  CHECK_THROWS_WITH_AS(recording.introduce(), doctest::Contains("check --baud"), Error);
  RunFilter all;
  all.with_open = true;
  CHECK(book.runs(all).empty());
}
