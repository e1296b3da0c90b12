// A whole recording against a rig in memory, on simulated time: what enters the book, how it ends.
#include "logger/recording.h"

#include <doctest/doctest.h>

#include "logger/line/frame_reader.h"
#include "tests/logger/support/bench_book.h"
#include "tests/logger/support/played_rig.h"

using namespace loadline;

namespace {

/// Stops when so many samples were seen; lets the zero after be taken.
class PatientAttendant : public Attendant {
 public:
  explicit PatientAttendant(std::uint64_t samples) : samples_(samples) {}
  void show(const RecordingView& view) override { last = view; }
  bool wants_stop() override { return last.counts.samples >= samples_; }
  bool cell_is_free(const RestMean&) override { return true; }
  RecordingView last;

 private:
  std::uint64_t samples_;
};

constexpr std::uint64_t kNeverStop = ~0ULL;

struct Bench {
  testing::Scratch folder;
  Book book = bench_book(folder);
  SimulatedClock clock;
  PlayedRig rig{clock};
  FrameReader reader;
  RecordingOptions options;

  Run mounted() {
    Run run;
    run.kind = RunKind::kBrake;
    run.rig = book.get(PartKind::kRig, "bench").id;
    run.motor = book.get(PartKind::kMotor, "grey").id;
    return run;
  }

  RecordingResult record(std::uint64_t stop_after = kNeverStop) {
    Recording recording(clock, rig, reader, book, options);
    recording.introduce();
    PatientAttendant attendant(stop_after);
    return recording.record(mounted(), {}, attendant);
  }
};

}  // namespace

TEST_CASE("A run of given length holds every sample once, in order, from tick 0") {
  Bench bench;
  bench.options.intake.for_s = 3;
  const RecordingResult result = bench.record();
  CHECK(result.end == LineEnd::kTimeUp);
  CHECK(result.state == RunState::kComplete);
  const std::vector<Sample> samples = bench.book.samples(result.run);
  // 80 conversions a second for 3 s, the first at 0 and the last at 3 s exactly.
  REQUIRE(samples.size() == 241);
  for (std::size_t i = 0; i < samples.size(); ++i)
    CHECK(samples[i].tick == static_cast<std::int64_t>(i) * 25'000);
  CHECK(samples.back().motor_edges == 800);  // 2 s at 400 edges a second
  CHECK(result.counts.lost == 0);
  const Run run = bench.book.run(result.run);
  CHECK(run.sample_count == 241);
  CHECK(run.tick_hz == 2e6);
  CHECK(run.motor_pulses_per_turn == 4);
  CHECK(run.cell_delay_s == doctest::Approx(0.025));
  CHECK(run.firmware == "played rig 1");
}

TEST_CASE("The zero before the run is the mean at rest, without the time just before the start") {
  Bench bench;
  bench.options.intake.for_s = 2;
  const RecordingResult result = bench.record();
  REQUIRE(result.zero_before);
  // The bench rests at 1000, 1001, 1002, 1000, … for the first second.
  CHECK(result.zero_before->mean_counts == doctest::Approx(1001).epsilon(1e-3));
  CHECK(result.zero_before->tick <
        1'400'000);  // 0.7 s: the last 0.3 s before the start are left out
  const std::vector<Zero> zeros = bench.book.zeros(result.run);
  REQUIRE(zeros.size() == 1);
  CHECK(zeros[0].when == ZeroMoment::kBefore);
}

TEST_CASE("A rig that stops by itself ends the run as complete") {
  Bench bench;
  bench.rig.stops_after = 200;
  const RecordingResult result = bench.record();
  CHECK(result.end == LineEnd::kRigStopped);
  CHECK(result.state == RunState::kComplete);
  CHECK(bench.book.samples(result.run).size() == 200);
}

TEST_CASE("The attendant's stop is obeyed and the rig is told") {
  Bench bench;
  const RecordingResult result = bench.record(100);
  CHECK(result.end == LineEnd::kAsked);
  CHECK(result.state == RunState::kComplete);
  CHECK(bench.book.samples(result.run).size() >= 100);
  CHECK(bench.book.samples(result.run).size() == bench.rig.made());
}

TEST_CASE("A silent rig ends the run as interrupted, with what was committed") {
  Bench bench;
  bench.rig.silent_after = 150;
  const RecordingResult result = bench.record();
  CHECK(result.end == LineEnd::kSilent);
  CHECK(result.state == RunState::kInterrupted);
  CHECK(bench.book.run(result.run).state == RunState::kInterrupted);
  CHECK(bench.book.samples(result.run).size() == 150);
}

TEST_CASE("An unplugged rig that comes back goes on in the same run, the gap recorded") {
  Bench bench;
  bench.rig.hangs_up_after = 160;
  bench.rig.unplugged_s = 2;
  bench.rig.stops_after = 300;
  const RecordingResult result = bench.record();
  CHECK(result.state == RunState::kComplete);
  CHECK(result.counts.resets == 1);
  const std::vector<Sample> samples = bench.book.samples(result.run);
  CHECK(samples.size() >= 298);
  std::vector<EventKind> kinds;
  for (const RunEvent& event : bench.book.events(result.run)) kinds.push_back(event.kind);
  CHECK(kinds ==
        std::vector<EventKind>{EventKind::kHangUp, EventKind::kResumed, EventKind::kReset});
  // The host's clock bridges the time in which the rig's own was off.
  std::int64_t longest = 0;
  for (std::size_t i = 1; i < samples.size(); ++i)
    longest = std::max(longest, samples[i].tick - samples[i - 1].tick);
  CHECK(static_cast<double>(longest) / 2e6 == doctest::Approx(2).epsilon(0.2));
}

TEST_CASE("An unplugged rig that stays away ends the run as interrupted") {
  Bench bench;
  bench.rig.hangs_up_after = 160;
  bench.rig.unplugged_s = 1e6;
  const RecordingResult result = bench.record();
  CHECK(result.end == LineEnd::kHungUp);
  CHECK(result.state == RunState::kInterrupted);
  CHECK(bench.book.run(result.run).sample_count == result.committed);
}

TEST_CASE("A rig that is reset in the run is started again; its counts go on") {
  Bench bench;
  bench.rig.resets_after = 160;
  bench.rig.stops_after = 320;
  const RecordingResult result = bench.record();
  CHECK(result.state == RunState::kComplete);
  CHECK(result.counts.resets == 1);
  const std::vector<Sample> samples = bench.book.samples(result.run);
  std::int64_t edges = 0;
  for (const Sample& sample : samples) {
    CHECK(*sample.motor_edges >= edges);
    edges = *sample.motor_edges;
  }
  CHECK(bench.book.events(result.run).front().kind == EventKind::kReset);
}

TEST_CASE("A silent port is refused before anything is written") {
  Bench bench;
  bench.rig.silent = true;
  CHECK_THROWS_WITH_AS(bench.record(), doctest::Contains("is silent"), Error);
  RunFilter all;
  all.with_open = true;
  CHECK(bench.book.runs(all).empty());
}

TEST_CASE("A capture replays to the same samples as the line it was taken from") {
  Bench bench;
  bench.options.save_capture = bench.folder.path("line.capture");
  bench.rig.stops_after = 400;
  const RecordingResult live = bench.record();
  const auto port = open_port(bench.folder.path("line.capture"));
  FrameReader reader;
  Recording again(bench.clock, *port, reader, bench.book, {});
  again.introduce();
  PatientAttendant attendant(kNeverStop);
  const RecordingResult replayed = again.record(bench.mounted(), {}, attendant);
  CHECK(replayed.state == RunState::kComplete);
  CHECK(bench.book.run(live.run).content_hash == bench.book.run(replayed.run).content_hash);
  CHECK(bench.book.run(replayed.run).sample_count == 400);
}

TEST_CASE("A file that is no capture is refused and the book stays as it was") {
  Bench bench;
  for (const std::string& text :
       {std::string(), std::string("time_s,motor_rpm\n0,100\n"), std::string(4, '\0')}) {
    MemoryFile port(std::vector<std::uint8_t>(text.begin(), text.end()));
    FrameReader reader;
    Recording recording(bench.clock, port, reader, bench.book, {});
    PatientAttendant attendant(kNeverStop);
    try {
      recording.record(bench.mounted(), {}, attendant);
      FAIL("was taken");
    } catch (const Error& error) {
      CHECK(error.fault() == Fault::kRig);
    }
  }
  CHECK(bench.book.runs().empty());
}
