// A recording that is killed, whose disk fills up, whose book is held by another program.
#include <doctest/doctest.h>
#include <sqlite3.h>
#include <sys/resource.h>
#include <sys/wait.h>

#include <csignal>
#include <cstdlib>
#include <fstream>
#include <random>
#include <thread>

#include "logger/console.h"
#include "logger/frame_reader.h"
#include "logger/recording.h"
#include "tests/logger/support/bench_book.h"
#include "tests/logger/support/paced_rig.h"

using namespace loadline;

namespace {

class SilentAttendant : public Attendant {
 public:
  void show(const RecordingView&) override {}
  bool wants_stop() override { return false; }
  bool cell_is_free(const RestMean&) override { return true; }
};

Run mounted(const Book& book) {
  Run run;
  run.kind = RunKind::kBrake;
  run.rig = book.get(PartKind::kRig, "bench").id;
  run.motor = book.get(PartKind::kMotor, "grey").id;
  return run;
}

RecordingResult record(const std::string& path, Port& port, const RecordingOptions& options = {}) {
  Book book = Book::open(path, Book::Mode::kWrite);
  SystemClock clock;
  FrameReader reader;
  Recording recording(clock, port, reader, book, options);
  SilentAttendant attendant;
  return recording.record(mounted(book), {}, attendant);
}

std::string first_cell(const Book& book, const char* sql) {
  sqlite3_stmt* statement = nullptr;
  REQUIRE(sqlite3_prepare_v2(book.handle(), sql, -1, &statement, nullptr) == SQLITE_OK);
  std::string text;
  if (sqlite3_step(statement) == SQLITE_ROW)
    text = reinterpret_cast<const char*>(sqlite3_column_text(statement, 0));
  sqlite3_finalize(statement);
  return text;
}

/// Samples of the latest run, which must be whole and in order from the first.
std::int64_t sound_samples(const Book& book) {
  RunFilter all;
  all.with_open = true;
  const std::vector<Run> runs = book.runs(all);
  if (runs.empty()) return 0;
  const std::vector<Sample> samples = book.samples(runs.back().id);
  for (std::size_t i = 0; i < samples.size(); ++i)
    REQUIRE(samples[i].tick == static_cast<std::int64_t>(i) * 2'000);
  CHECK(runs.back().state == RunState::kInterrupted);
  CHECK(runs.back().sample_count == static_cast<std::int64_t>(samples.size()));
  return static_cast<std::int64_t>(samples.size());
}

}  // namespace

TEST_CASE("A recording killed at any moment loses the last half second at most") {
  // LOADLINE_KILLS=200 for the long version.
  const char* wanted = std::getenv("LOADLINE_KILLS");
  const int kills = wanted ? std::atoi(wanted) : 20;
  std::mt19937 dice(11);
  std::int64_t worst = 0;
  for (int kill = 0; kill < kills; ++kill) {
    BenchFolder folder;
    { const Book book = bench_book(folder); }
    SharedCount handed_out;
    const pid_t child = fork();
    REQUIRE(child >= 0);
    if (child == 0) {
      PacedRig rig(60, *handed_out);
      record(folder.file("test.book"), rig);
      _exit(0);
    }
    while ((*handed_out).load() == 0) std::this_thread::sleep_for(std::chrono::milliseconds(1));
    std::this_thread::sleep_for(std::chrono::milliseconds(dice() % 900));
    ::kill(child, SIGKILL);
    ::waitpid(child, nullptr, 0);
    const Book book = Book::open(folder.file("test.book"), Book::Mode::kWrite);
    const std::int64_t lost = (*handed_out).load() - sound_samples(book);
    worst = std::max(worst, lost);
    CHECK(lost <= 500);  // samples, of 1,000 a second
    CHECK(first_cell(book, "PRAGMA integrity_check") == "ok");
    CHECK(first_cell(book, "PRAGMA foreign_key_check") == "");
  }
  MESSAGE("killed " << kills << " times; the most that was lost: " << worst << " ms");
}

TEST_CASE("When the disk is full the rest goes into a fallback capture, and no sample is lost") {
  BenchFolder folder;
  { const Book book = bench_book(folder); }
  const pid_t child = fork();
  REQUIRE(child >= 0);
  if (child == 0) {
    // A file-size limit acts like a full disk, and on the fallback as well.
    const SignalWatch signals;
    ::setenv("TMPDIR", folder.file("").c_str(), 1);
    const rlimit most = {200'000, 200'000};
    ::setrlimit(RLIMIT_FSIZE, &most);
    std::atomic<std::int64_t> handed_out{0};
    PacedRig rig(8, handed_out);
    RecordingOptions options;
    options.writer.book_patience_s = 0.3;
    int faults = 0;
    try {
      const RecordingResult result = record(folder.file("test.book"), rig, options);
      if (!result.book_gave_up) faults |= 1;
      if (result.state != RunState::kInterrupted) faults |= 2;
      if (result.fallback_paths.empty()) faults |= 4;
      if (result.why.empty()) faults |= 8;
      std::ofstream list(folder.file("parts.txt"));
      for (const std::string& path : result.fallback_paths) list << path << "\n";
    } catch (const std::exception&) {
      faults |= 16;
    }
    _exit(faults);
  }
  int status = 0;
  ::waitpid(child, &status, 0);
  REQUIRE(WIFEXITED(status));
  CHECK(WEXITSTATUS(status) == 0);
  Book book = Book::open(folder.file("test.book"), Book::Mode::kWrite);
  const std::int64_t committed = sound_samples(book);
  CHECK(committed > 0);
  // The parts, one after the other, replay from before the last commit to the end.
  std::vector<std::uint8_t> bytes;
  std::ifstream list(folder.file("parts.txt"));
  for (std::string path; std::getline(list, path);) {
    std::ifstream part(path, std::ios::binary);
    bytes.insert(bytes.end(), std::istreambuf_iterator<char>(part), {});
  }
  FrameReader reader;
  Haul haul;
  reader.take(bytes, std::chrono::nanoseconds(0), haul);
  reader.finish(haul);
  REQUIRE_FALSE(haul.samples.empty());
  CHECK(reader.counts().lost == 0);
  CHECK(committed + static_cast<std::int64_t>(haul.samples.size()) >= 8'000);
}

TEST_CASE(
    "A fallback capture that meets a limit goes on in another part, each with the introduction") {
  BenchFolder folder;
  const pid_t child = fork();
  REQUIRE(child >= 0);
  if (child == 0) {
    const SignalWatch signals;
    const rlimit most = {50'000, 50'000};
    ::setrlimit(RLIMIT_FSIZE, &most);
    FallbackCapture capture("run", {1, 2, 3}, {folder.file("absent"), folder.file("")});
    std::vector<std::uint8_t> bytes(120'000, 9);
    const bool taken = capture.append(bytes);
    _exit(taken && capture.paths().size() == 3 ? 0 : 1);
  }
  int status = 0;
  ::waitpid(child, &status, 0);
  CHECK(WEXITSTATUS(status) == 0);
  std::uintmax_t sum = 0;
  for (int part = 1; part <= 3; ++part) {
    const std::string path = folder.file("run-" + std::to_string(part) + ".capture");
    sum += std::filesystem::file_size(path);
    std::ifstream file(path, std::ios::binary);
    CHECK(file.get() == 1);
  }
  CHECK(sum == 120'000 + 3 * 3);
}

TEST_CASE("A book that another program holds for six seconds costs no sample") {
  BenchFolder folder;
  Book holder = bench_book(folder);
  std::atomic<std::int64_t> handed_out{0};
  std::thread hold([&] {
    while (handed_out.load() < 500) std::this_thread::sleep_for(std::chrono::milliseconds(5));
    sqlite3_exec(holder.handle(), "BEGIN IMMEDIATE", nullptr, nullptr, nullptr);
    std::this_thread::sleep_for(std::chrono::seconds(6));
    sqlite3_exec(holder.handle(), "ROLLBACK", nullptr, nullptr, nullptr);
  });
  PacedRig rig(7.5, handed_out);
  const RecordingResult result = record(folder.file("test.book"), rig);
  hold.join();
  CHECK(result.state == RunState::kComplete);
  CHECK(result.committed == 7'500);
  CHECK(result.counts.lost == 0);
}

TEST_CASE("Two recorders work on one book side by side") {
  BenchFolder folder;
  { const Book book = bench_book(folder); }
  RecordingResult results[2];
  std::thread threads[2];
  for (int i = 0; i < 2; ++i)
    threads[i] = std::thread([&folder, &results, i] {
      std::atomic<std::int64_t> handed_out{0};
      PacedRig rig(2, handed_out);
      results[i] = record(folder.file("test.book"), rig);
    });
  for (std::thread& thread : threads) thread.join();
  CHECK(results[0].run != results[1].run);
  for (const RecordingResult& result : results) {
    CHECK(result.state == RunState::kComplete);
    CHECK(result.committed == 2'000);
  }
}
