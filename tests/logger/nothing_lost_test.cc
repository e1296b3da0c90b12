// A recording that is killed, whose disk fills up or goes away, whose book another program holds.
#include <doctest/doctest.h>
#include <sqlite3.h>
#include <sys/resource.h>
#include <sys/wait.h>

#include <cerrno>
#include <csignal>
#include <cstdlib>
#include <fstream>
#include <functional>
#include <random>
#include <thread>

#include "logger/console.h"
#include "logger/line/frame_reader.h"
#include "logger/recording.h"
#include "tests/logger/support/bench_book.h"
#include "tests/logger/support/paced_rig.h"

using namespace loadline;

namespace {

class SilentAttendant : public Attendant {
 public:
  void show(const RecordingView& view) override {
    if (!view.book_trouble.empty()) trouble = view.book_trouble;
  }
  bool wants_stop() override { return false; }
  bool cell_is_free(const RestMean&) override { return true; }
  std::string trouble;  ///< what was last said about the book
};

Run mounted(const Book& book) {
  Run run;
  run.kind = RunKind::kBrake;
  run.rig = book.get(PartKind::kRig, "bench").id;
  run.motor = book.get(PartKind::kMotor, "grey").id;
  return run;
}

RecordingResult record(const std::string& path, Port& port, const RecordingOptions& options,
                       SilentAttendant& attendant) {
  Book book = Book::open(path, Book::Mode::kWrite);
  SystemClock clock;
  FrameReader reader;
  Recording recording(clock, port, reader, book, options);
  return recording.record(mounted(book), {}, attendant);
}

RecordingResult record(const std::string& path, Port& port, const RecordingOptions& options = {}) {
  SilentAttendant attendant;
  return record(path, port, options, attendant);
}

/// Samples in a fallback capture, its parts read one after the other; none may be missing in it.
std::int64_t samples_in(const std::vector<std::string>& parts) {
  FrameReader reader;
  Haul haul;
  for (const std::string& path : parts) {
    std::ifstream file(path, std::ios::binary);
    const std::vector<std::uint8_t> bytes(std::istreambuf_iterator<char>(file), {});
    reader.take(bytes, std::chrono::nanoseconds(0), haul);
  }
  reader.finish(haul);
  CHECK(reader.counts().lost == 0);
  return static_cast<std::int64_t>(haul.samples.size());
}

/// Fallback captures go into `folder` as long as this lives.
class FallbackIn {
 public:
  explicit FallbackIn(const std::string& folder) : before_(std::getenv("TMPDIR")) {
    if (before_) kept_ = before_;
    ::setenv("TMPDIR", folder.c_str(), 1);
  }
  ~FallbackIn() { before_ ? ::setenv("TMPDIR", kept_.c_str(), 1) : ::unsetenv("TMPDIR"); }
  FallbackIn(const FallbackIn&) = delete;
  FallbackIn& operator=(const FallbackIn&) = delete;

 private:
  const char* before_;
  std::string kept_;
};

std::atomic<int> g_write_error{0};  // errno of every write of SQLite; 0: writes work

ssize_t write_or_fail(int fd, const void* bytes, std::size_t size, off_t at) {
  if (const int error = g_write_error.load()) return errno = error, -1;
  return ::pwrite(fd, bytes, size, at);
}

/// SQLite's writes go through write_or_fail as long as this lives (sqlite3_vfs::xSetSystemCall is
/// SQLite's own door for such tests).
class WritesMayFail {
 public:
  WritesMayFail() { set(reinterpret_cast<sqlite3_syscall_ptr>(write_or_fail)); }
  ~WritesMayFail() {
    g_write_error.store(0);
    set(nullptr);
  }
  WritesMayFail(const WritesMayFail&) = delete;
  WritesMayFail& operator=(const WritesMayFail&) = delete;

 private:
  static void set(sqlite3_syscall_ptr call) {
    sqlite3_vfs* vfs = sqlite3_vfs_find(nullptr);
    // Which of the two is used depends on how SQLite was built.
    for (const char* name : {"pwrite", "pwrite64"}) vfs->xSetSystemCall(vfs, name, call);
  }
};

/// Does `act` on a thread of its own once the rig has handed out so many samples.
std::thread once(const std::atomic<std::int64_t>& handed_out, std::int64_t samples,
                 std::function<void()> act) {
  return std::thread([&handed_out, samples, act] {
    while (handed_out.load() < samples) std::this_thread::sleep_for(std::chrono::milliseconds(5));
    act();
  });
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
    testing::Scratch folder;
    { const Book book = bench_book(folder); }
    SharedCount handed_out;
    const pid_t child = fork();
    REQUIRE(child >= 0);
    if (child == 0) {
      PacedRig rig(60, *handed_out);
      record(folder.path("test.book"), rig);
      _exit(0);
    }
    while ((*handed_out).load() == 0) std::this_thread::sleep_for(std::chrono::milliseconds(1));
    std::this_thread::sleep_for(std::chrono::milliseconds(dice() % 900));
    ::kill(child, SIGKILL);
    ::waitpid(child, nullptr, 0);
    const Book book = Book::open(folder.path("test.book"), Book::Mode::kWrite);
    const std::int64_t lost = (*handed_out).load() - sound_samples(book);
    worst = std::max(worst, lost);
    CHECK(lost <= 500);  // samples, of 1,000 a second
    CHECK(first_cell(book, "PRAGMA integrity_check") == "ok");
    CHECK(first_cell(book, "PRAGMA foreign_key_check") == "");
  }
  MESSAGE("killed " << kills << " times; the most that was lost: " << worst << " ms");
}

TEST_CASE("When the disk is full the rest goes into a fallback capture, and no sample is lost") {
  testing::Scratch folder;
  { const Book book = bench_book(folder); }
  const pid_t child = fork();
  REQUIRE(child >= 0);
  if (child == 0) {
    // A file-size limit acts like a full disk, and on the fallback as well.
    const SignalWatch signals;
    ::setenv("TMPDIR", folder.path("").c_str(), 1);
    const rlimit most = {200'000, 200'000};
    ::setrlimit(RLIMIT_FSIZE, &most);
    std::atomic<std::int64_t> handed_out{0};
    PacedRig rig(8, handed_out);
    RecordingOptions options;
    options.writer.book_patience_s = 0.3;
    int faults = 0;
    try {
      const RecordingResult result = record(folder.path("test.book"), rig, options);
      if (!result.book_gave_up) faults |= 1;
      if (result.state != RunState::kInterrupted) faults |= 2;
      if (result.fallback_paths.empty()) faults |= 4;
      if (result.why.empty()) faults |= 8;
      std::ofstream list(folder.path("parts.txt"));
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
  Book book = Book::open(folder.path("test.book"), Book::Mode::kWrite);
  const std::int64_t committed = sound_samples(book);
  CHECK(committed > 0);
  std::vector<std::string> parts;
  std::ifstream list(folder.path("parts.txt"));
  for (std::string path; std::getline(list, path);) parts.push_back(path);
  // They replay from before the last commit to the end.
  CHECK(committed + samples_in(parts) >= 8'000);
}

TEST_CASE("A disk that is full for a while costs no sample") {
  testing::Scratch folder;
  { const Book book = bench_book(folder); }
  const WritesMayFail writes;
  std::atomic<std::int64_t> handed_out{0};
  std::thread fill = once(handed_out, 500, [] {
    g_write_error.store(ENOSPC);
    std::this_thread::sleep_for(std::chrono::milliseconds(1500));
    g_write_error.store(0);
  });
  PacedRig rig(3, handed_out);
  SilentAttendant attendant;
  const RecordingResult result = record(folder.path("test.book"), rig, {}, attendant);
  fill.join();
  CHECK(attendant.trouble.find("is full") != std::string::npos);
  CHECK(result.state == RunState::kComplete);
  CHECK(result.committed == 3'000);
  CHECK(result.fallback_paths.empty());
}

TEST_CASE("A drive that fails leaves what was committed, and the rest in the fallback capture") {
  testing::Scratch folder;
  { const Book book = bench_book(folder); }
  const FallbackIn fallback(folder.path(""));
  RecordingResult result;
  {
    const WritesMayFail writes;
    std::atomic<std::int64_t> handed_out{0};
    std::thread fail = once(handed_out, 800, [] { g_write_error.store(EIO); });
    PacedRig rig(2, handed_out);
    RecordingOptions options;
    options.writer.book_patience_s = 0.3;
    result = record(folder.path("test.book"), rig, options);
    fail.join();
  }
  CHECK(result.book_gave_up);
  CHECK(result.state == RunState::kInterrupted);
  CHECK(result.why.find("Check that its drive is still there") != std::string::npos);
  REQUIRE_FALSE(result.fallback_paths.empty());
  const Book book = Book::open(folder.path("test.book"), Book::Mode::kWrite);
  const std::int64_t committed = sound_samples(book);
  CHECK(committed > 0);
  CHECK(committed < 2'000);
  CHECK(committed + samples_in(result.fallback_paths) >= 2'000);
}

TEST_CASE("A book that is taken away in mid-run is missed at once") {
  testing::Scratch folder;
  { const Book book = bench_book(folder); }
  std::filesystem::create_directory(folder.path("drive"));
  const std::string path = folder.path("drive/test.book");
  std::filesystem::rename(folder.path("test.book"), path);
  const FallbackIn fallback(folder.path(""));
  std::atomic<std::int64_t> handed_out{0};
  // SQLite would go on writing into the file that it holds open, wherever that is now.
  std::thread take_away = once(handed_out, 800, [&folder] {
    std::filesystem::rename(folder.path("drive"), folder.path("gone"));
  });
  PacedRig rig(2, handed_out);
  const RecordingResult result = record(path, rig);
  take_away.join();
  CHECK(result.book_gave_up);
  CHECK(result.state == RunState::kInterrupted);
  CHECK(result.why.find("moved or deleted") != std::string::npos);
  const Book book = Book::open(folder.path("gone/test.book"), Book::Mode::kWrite);
  const std::int64_t committed = sound_samples(book);
  CHECK(committed > 0);
  CHECK(committed < 1'500);
  CHECK(committed + samples_in(result.fallback_paths) >= 2'000);
}

TEST_CASE("A log that is taken away in mid-run is missed at once, and what went into it is kept") {
  testing::Scratch folder;
  { const Book book = bench_book(folder); }
  const std::string path = folder.path("test.book");
  const FallbackIn fallback(folder.path(""));
  std::atomic<std::int64_t> handed_out{0};
  std::thread take_away =
      once(handed_out, 800, [&] { std::filesystem::rename(path + "-wal", folder.path("gone")); });
  PacedRig rig(2, handed_out);
  const RecordingResult result = record(path, rig);
  take_away.join();
  CHECK(result.book_gave_up);
  CHECK(result.state == RunState::kInterrupted);
  CHECK(result.why.find("-wal of the book was moved") != std::string::npos);
  const Book book = Book::open(path, Book::Mode::kWrite);
  const std::int64_t committed = sound_samples(book);
  CHECK(committed > 0);
  CHECK(committed < 1'500);
  CHECK(committed + samples_in(result.fallback_paths) >= 2'000);
  CHECK(first_cell(book, "PRAGMA integrity_check") == "ok");
}

TEST_CASE("What finds no place at all is counted, and never lost in silence") {
  testing::Scratch folder;
  { const Book book = bench_book(folder); }
  const pid_t child = fork();
  REQUIRE(child >= 0);
  if (child == 0) {
    const SignalWatch signals;
    // Every file of this process is full at once; so is each fallback, wherever it is begun.
    std::atomic<std::int64_t> handed_out{0};
    std::thread fill = once(handed_out, 800, [] {
      const rlimit most = {1, 1};
      ::setrlimit(RLIMIT_FSIZE, &most);
    });
    PacedRig rig(2, handed_out);
    RecordingOptions options;
    options.writer.book_patience_s = 0.3;
    const RecordingResult result = record(folder.path("test.book"), rig, options);
    fill.join();
    int faults = 0;
    if (!result.book_gave_up) faults |= 1;
    if (result.lost_bytes == 0) faults |= 2;
    if (!result.fallback_paths.empty()) faults |= 4;
    _exit(faults);
  }
  int status = 0;
  ::waitpid(child, &status, 0);
  REQUIRE(WIFEXITED(status));
  CHECK(WEXITSTATUS(status) == 0);
}

TEST_CASE(
    "A fallback capture that meets a limit goes on in another part, each with the introduction") {
  testing::Scratch folder;
  const pid_t child = fork();
  REQUIRE(child >= 0);
  if (child == 0) {
    const SignalWatch signals;
    const rlimit most = {50'000, 50'000};
    ::setrlimit(RLIMIT_FSIZE, &most);
    FallbackCapture capture("run", {1, 2, 3}, {folder.path("absent"), folder.path("")});
    std::vector<std::uint8_t> bytes(120'000, 9);
    const bool taken = capture.append(bytes);
    _exit(taken && capture.paths().size() == 3 ? 0 : 1);
  }
  int status = 0;
  ::waitpid(child, &status, 0);
  CHECK(WEXITSTATUS(status) == 0);
  std::uintmax_t sum = 0;
  for (int part = 1; part <= 3; ++part) {
    const std::string path = folder.path("run-" + std::to_string(part) + ".capture");
    sum += std::filesystem::file_size(path);
    std::ifstream file(path, std::ios::binary);
    CHECK(file.get() == 1);
  }
  CHECK(sum == 120'000 + 3 * 3);
}

TEST_CASE("A writer that another program stalls for ten seconds loses no sample") {
  testing::Scratch folder;
  Book holder = bench_book(folder);
  std::atomic<std::int64_t> handed_out{0};
  std::thread hold = once(handed_out, 500, [&holder] {
    sqlite3_exec(holder.handle(), "BEGIN IMMEDIATE", nullptr, nullptr, nullptr);
    std::this_thread::sleep_for(std::chrono::seconds(10));
    sqlite3_exec(holder.handle(), "ROLLBACK", nullptr, nullptr, nullptr);
  });
  PacedRig rig(11.5, handed_out);
  const RecordingResult result = record(folder.path("test.book"), rig);
  hold.join();
  CHECK(result.state == RunState::kComplete);
  CHECK(result.committed == 11'500);
  CHECK(result.counts.lost == 0);
}

TEST_CASE("Two recorders work on one book side by side") {
  testing::Scratch folder;
  { const Book book = bench_book(folder); }
  RecordingResult results[2];
  std::thread threads[2];
  for (int i = 0; i < 2; ++i)
    threads[i] = std::thread([&folder, &results, i] {
      std::atomic<std::int64_t> handed_out{0};
      PacedRig rig(2, handed_out);
      results[i] = record(folder.path("test.book"), rig);
    });
  for (std::thread& thread : threads) thread.join();
  CHECK(results[0].run != results[1].run);
  for (const RecordingResult& result : results) {
    CHECK(result.state == RunState::kComplete);
    CHECK(result.committed == 2'000);
  }
}
