// What can befall a book: files that are none, kills, full disks, locked files, several programs.
#include <doctest/doctest.h>
#include <sqlite3.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <csignal>
#include <functional>
#include <random>
#include <thread>

#include "db/care/backup.h"
#include "db/care/check.h"
#include "db/sql/statement.h"
#include "tests/db/filled_book.h"
#include "tests/support/program.h"

namespace loadline {
namespace {

using testing::Outcome;
using testing::Scratch;

bool has(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

std::string opening_fault(const std::string& path, Book::Mode mode) {
  try {
    Book::open(path, mode);
  } catch (const Error& error) {
    CHECK(error.fault() == Fault::kBook);
    return error.what();
  }
  return "opened";
}

std::string sound_book_bytes(const Scratch& scratch) {
  {
    Book book = Book::open(scratch.path("sound.book"), Book::Mode::kCreate);
    testing::fill(book);
  }
  return testing::bytes_of(scratch.path("sound.book"));
}

// `work` in a process of its own; returns its wait status.
int in_child(const std::function<void()>& work) {
  const pid_t child = fork();
  if (child == 0) {
    try {
      work();
    } catch (...) {
      _exit(99);
    }
    _exit(0);
  }
  int status = 0;
  waitpid(child, &status, 0);
  return status;
}

void sql(const std::string& path, const std::string& statement) {
  sqlite3* db = nullptr;
  REQUIRE(sqlite3_open(path.c_str(), &db) == SQLITE_OK);
  REQUIRE(sqlite3_exec(db, statement.c_str(), nullptr, nullptr, nullptr) == SQLITE_OK);
  sqlite3_close(db);
}

TEST_CASE("files that are no book are named as such and not touched") {
  const Scratch scratch;
  const std::string text = scratch.write("a.txt", std::string(5000, 'x'));
  const std::string small = scratch.write("b.txt", "SQLite");
  const std::string empty = scratch.write("c.txt", "");
  sql(scratch.path("other.db"), "CREATE TABLE t (a); PRAGMA application_id = 42");
  sql(scratch.path("plain.db"), "CREATE TABLE t (a)");
  for (const auto mode : {Book::Mode::kRead, Book::Mode::kWrite, Book::Mode::kCreate}) {
    CHECK(has(opening_fault(text, mode), "is not a book"));
    CHECK(has(opening_fault(small, mode), "is not a book"));
    CHECK(has(opening_fault(scratch.path("other.db"), mode), "is an SQLite file but not a book"));
    CHECK(has(opening_fault(scratch.path("plain.db"), mode), "is an SQLite file but not a book"));
    CHECK(has(opening_fault(scratch.folder(), mode), "is a folder"));
  }
  CHECK(has(opening_fault(empty, Book::Mode::kRead), "is empty"));
  CHECK(has(opening_fault(empty, Book::Mode::kWrite), "is empty"));
  CHECK(has(opening_fault(scratch.path("none"), Book::Mode::kWrite), "there is no book at"));
  CHECK(has(opening_fault(scratch.path("no/where"), Book::Mode::kCreate), "does not exist"));
  CHECK(testing::bytes_of(text) == std::string(5000, 'x'));
  CHECK(testing::bytes_of(empty).empty());
}

TEST_CASE("a book whose label is lost is not made a book once more") {
  const Scratch scratch;
  sound_book_bytes(scratch);
  const std::string path = scratch.path("sound.book");
  sql(path, "PRAGMA application_id = 0; PRAGMA user_version = 0");
  const std::string before = testing::bytes_of(path);
  for (const auto mode : {Book::Mode::kRead, Book::Mode::kWrite, Book::Mode::kCreate})
    CHECK(has(opening_fault(path, mode), "is an SQLite file but not a book"));
  CHECK(testing::bytes_of(path) == before);
}

TEST_CASE("a book of a newer version is refused by every mode and left as it is") {
  const Scratch scratch;
  sound_book_bytes(scratch);
  const std::string path = scratch.path("sound.book");
  sql(path, "PRAGMA user_version = 99");
  const std::string before = testing::bytes_of(path);
  for (const auto mode : {Book::Mode::kRead, Book::Mode::kWrite, Book::Mode::kCreate})
    CHECK(has(opening_fault(path, mode), "newer version of Loadline (layout 99"));
  CHECK(testing::bytes_of(path) == before);
}

TEST_CASE("a book cut short anywhere is refused or found out, never taken for sound") {
  const Scratch scratch;
  const std::string bytes = sound_book_bytes(scratch);
  for (std::size_t pieces = 0; pieces < 40; ++pieces) {
    const std::string path = scratch.write("cut.book", bytes.substr(0, bytes.size() * pieces / 40));
    CAPTURE(pieces);
    try {
      const Book book = Book::open(path, Book::Mode::kRead);
      CHECK_FALSE(check_book(book).findings.empty());
    } catch (const Error& error) {
      CHECK(error.fault() == Fault::kBook);
    }
  }
}

TEST_CASE("a reader changes nothing, not even beside the book") {
  const Scratch scratch;
  const std::string bytes = sound_book_bytes(scratch);
  const std::string path = scratch.path("sound.book");
  {
    Book book = Book::open(path, Book::Mode::kRead);
    CHECK(book.runs().size() == 3);
    CHECK_THROWS_AS(book.add(testing::part(PartKind::kBelt, "B")), Error);
  }
  CHECK(testing::bytes_of(path) == bytes);
  CHECK_FALSE(std::filesystem::exists(path + "-wal"));
  CHECK_FALSE(std::filesystem::exists(path + "-shm"));
}

// Not root any more, for whom every folder is writable.
void become_nobody() {
  if (geteuid() == 0 && setresuid(65534, 65534, 65534) != 0) throw std::runtime_error("setresuid");
}

TEST_CASE("in a folder that may only be read a book can be read, and writing is refused in words") {
  const Scratch scratch;
  sound_book_bytes(scratch);
  const std::string path = scratch.path("sound.book");
  namespace fs = std::filesystem;
  fs::permissions(path, fs::perms::owner_read | fs::perms::group_read | fs::perms::others_read);
  fs::permissions(scratch.folder(), fs::perms(0555));
  const int status = in_child([&] {
    become_nobody();
    if (Book::open(path, Book::Mode::kRead).runs().size() != 3) _exit(1);
    for (const auto mode : {Book::Mode::kWrite, Book::Mode::kCreate}) {
      try {
        Book::open(path, mode);
        _exit(2);
      } catch (const Error& error) {
        if (error.fault() != Fault::kBook) _exit(3);
        if (!has(error.what(), "may only be read here")) _exit(4);
      }
    }
    try {
      Book::open(scratch.path("new.book"), Book::Mode::kCreate);
      _exit(5);
    } catch (const Error& error) {
      if (!has(error.what(), "cannot be opened")) _exit(6);
    }
  });
  CHECK(WEXITSTATUS(status) == 0);
}

TEST_CASE("at the file-size limit what was committed stays and the message says what to do") {
  const Scratch scratch;
  const std::string path = scratch.path("bench.book");
  const int status = in_child([&] {
    std::signal(SIGXFSZ, SIG_IGN);
    Book book = Book::open(path, Book::Mode::kCreate);
    const std::int64_t run = book.begin_run({});
    const rlimit limit{3 << 20, 3 << 20};
    setrlimit(RLIMIT_FSIZE, &limit);
    try {
      for (int i = 0; i < 1000000; i += 1000) book.append(run, testing::samples(1000, i + 1));
    } catch (const Error& error) {
      _exit(error.fault() == Fault::kBook && has(error.what(), "file-size limit") ? 0 : 1);
    }
    _exit(2);
  });
  CHECK(WEXITSTATUS(status) == 0);
  Book book = Book::open(path, Book::Mode::kWrite);
  const Run run = book.run(1);
  CHECK(run.state == RunState::kInterrupted);
  CHECK(run.sample_count > 1000);
  CHECK(run.sample_count % 1000 == 0);
  CHECK(check_book(book).findings.empty());
}

TEST_CASE("a recorder killed at any moment leaves whole blocks and an interrupted run") {
  std::mt19937 random(20);
  for (int round = 0; round < 20; ++round) {
    const Scratch scratch;
    const std::string path = scratch.path("bench.book");
    const pid_t child = fork();
    if (child == 0) {
      Book book = Book::open(path, Book::Mode::kCreate);
      const std::int64_t run = book.begin_run({});
      for (int i = 0;; i += 200) {
        Book::Transaction transaction(book);
        book.append(run, testing::samples(100, i + 1));
        book.append(run, testing::samples(100, i + 101));
        transaction.commit();
      }
    }
    while (!std::filesystem::exists(path + "-wal")) usleep(1000);
    usleep(static_cast<useconds_t>(random() % 60000));
    kill(child, SIGKILL);
    waitpid(child, nullptr, 0);
    Book book = Book::open(path, Book::Mode::kCreate);
    RunFilter all;
    all.with_open = true;
    for (const Run& run : book.runs(all)) {
      CHECK(run.state == RunState::kInterrupted);
      CHECK(run.sample_count % 200 == 0);
      CHECK(book.samples(run.id).size() == static_cast<std::size_t>(run.sample_count));
      CHECK(book.events(run.id).size() == 1);
    }
    CHECK(check_book(book).findings.empty());
  }
}

TEST_CASE("a run stays open while its recorder lives, whoever else opens the book") {
  const Scratch scratch;
  const std::string path = scratch.path("bench.book");
  std::optional<Book> recorder(Book::open(path, Book::Mode::kCreate));
  const std::int64_t run = recorder->begin_run({});
  recorder->append(run, testing::samples(10));
  CHECK(Book::open(path, Book::Mode::kWrite).run(run).state == RunState::kOpen);
  const int status = in_child([&] {
    _exit(Book::open(path, Book::Mode::kWrite).run(run).state == RunState::kOpen ? 0 : 1);
  });
  CHECK(WEXITSTATUS(status) == 0);
  recorder.reset();
  CHECK(Book::open(path, Book::Mode::kWrite).run(run).state == RunState::kInterrupted);
}

namespace {

// A recorder that is killed in the middle of a run, `commits` of a thousand samples in. What it had
// folded into the book by then is only what its begin and the length of its log made it.
void record_and_die(const std::string& path, int commits) {
  const int status = in_child([&] {
    Book book = Book::open(path, Book::Mode::kCreate);
    const std::int64_t run = book.begin_run({});
    for (int i = 0; i < commits; ++i) {
      Book::Transaction transaction(book);
      book.append(run, testing::samples(1000, i * 1000 + 1));
      transaction.commit();
    }
    kill(getpid(), SIGKILL);
  });
  REQUIRE(WIFSIGNALED(status));
}

std::string found_in(const std::string& path) {
  const Book book = Book::open(path, Book::Mode::kRead);
  std::string all;
  for (const Finding& finding : check_book(book).findings) all += finding.what + "\n";
  return all;
}

}  // namespace

TEST_CASE("a log that is lost shows, also later, and one that was only folded in does not") {
  const std::string said = "log (-wal), which held what was recorded after the first ";
  for (const bool replaced : {false, true}) {
    const Scratch scratch;
    const std::string path = scratch.path("bench.book");
    record_and_die(path, 5);
    REQUIRE(std::filesystem::file_size(path + "-wal") > 0);
    CHECK(found_in(path).empty());
    record_and_die(path, 5);
    if (replaced)
      scratch.write("bench.book-wal", "<!doctype html><title>A report</title>");
    else
      std::filesystem::remove(path + "-wal");
    CHECK(has(found_in(path), said + "1000 rows"));
    CHECK(has(found_in(path), said));  // looking at it changes nothing
    {
      const Book book = Book::open(path, Book::Mode::kWrite);  // ends the run
      CHECK(book.runs().back().state == RunState::kInterrupted);
      CHECK(has(book.events(book.runs().back().id).back().detail, "log was missing"));
    }
    CHECK(has(found_in(path), said));
  }
  SUBCASE("after a reader or another program has folded it in, nothing is missing") {
    const Scratch scratch;
    const std::string path = scratch.path("bench.book");
    record_and_die(path, 5);
    sql(path, "SELECT count(*) FROM sample");
    CHECK_FALSE(std::filesystem::exists(path + "-wal"));
    CHECK(found_in(path).empty());
    Book book = Book::open(path, Book::Mode::kWrite);
    CHECK(book.runs().back().sample_count == 5000);
    CHECK(check_book(book).findings.empty());
  }
  SUBCASE("of a long run, from the last folding on") {
    const Scratch scratch;
    const std::string path = scratch.path("bench.book");
    record_and_die(path, 400);
    std::filesystem::remove(path + "-wal");
    const std::string found = found_in(path);
    CHECK(has(found, said));
    CHECK_FALSE(has(found, said + "1000 rows"));
  }
}

TEST_CASE("no output takes the place of a file that belongs to a book, by whatever name") {
  namespace fs = std::filesystem;
  const Scratch scratch;
  const std::string path = scratch.path("bench.book");
  Book book = Book::open(path, Book::Mode::kCreate);  // open: so its log is there
  testing::fill(book);
  fs::create_symlink(".", scratch.path("folder"));
  fs::create_symlink("bench.book-wal", scratch.path("soft"));
  fs::create_symlink("soft", scratch.path("softer"));
  fs::create_symlink("bench.book-journal", scratch.path("nowhere"));
  fs::create_symlink("bench.book", scratch.path("other.book"));
  fs::create_hard_link(path + "-wal", scratch.path("hard"));
  fs::create_hard_link(path + "-shm", scratch.path("hard-index"));
  fs::create_symlink("bench.book-wal", scratch.path("table.csv.part"));
  const std::string log = testing::bytes_of(path + "-wal");
  REQUIRE_FALSE(log.empty());
  const auto run = [&](const std::string& words) {
    return testing::run_program(scratch, LOADLINE_DB_PROGRAM, words + " --book bench.book");
  };
  for (const std::string name :
       {"bench.book-wal", "bench.book-shm", "bench.book-journal", "./bench.book-wal",
        "folder/folder/bench.book-wal", "soft", "softer", "nowhere", "other.book-wal", "hard",
        "hard-index", "other.book", "bench.book"}) {
    CAPTURE(name);
    const Outcome refused = run("export motors --force -o " + name);
    CHECK(refused.status == 2);
    CHECK(has(refused.err, "is not written over"));
    CHECK(run("backup " + name).status == 2);
  }
  CHECK(run("export motors --force -o '" + path + "-wal'").status == 2);
  CHECK(run("export motors -o table.csv").status == 2);  // what stands in its way leads to the log
  CHECK(testing::bytes_of(path + "-wal") == log);
  CHECK_FALSE(fs::exists(path + "-journal"));
  CHECK(
      testing::run_program(scratch, LOADLINE_DB_PROGRAM, "init --book bench.book-journal").status ==
      2);
  CHECK(run("export motors -o notes-wal").status == 0);  // there is no book 'notes'
  CHECK(check_book(book).findings.empty());
}

TEST_CASE("two recorders in one book take turns and both runs are whole") {
  const Scratch scratch;
  const std::string path = scratch.path("bench.book");
  Book::open(path, Book::Mode::kCreate);
  const auto record = [&] {
    Book book = Book::open(path, Book::Mode::kWrite);
    const std::int64_t run = book.begin_run({});
    for (int i = 0; i < 2000; i += 50) book.append(run, testing::samples(50, i + 1));
    book.end_run(run, RunState::kComplete);
  };
  std::thread first(record), second(record);
  first.join();
  second.join();
  const Book book = Book::open(path, Book::Mode::kRead);
  REQUIRE(book.runs().size() == 2);
  CHECK(book.run(1).content_hash == book.run(2).content_hash);
  CHECK(check_book(book).findings.empty());
}

TEST_CASE("readers go on during a write and see it only when it is committed") {
  const Scratch scratch;
  const std::string path = scratch.path("bench.book");
  Book writer = Book::open(path, Book::Mode::kCreate);
  const std::int64_t run = writer.begin_run({});
  Book::Transaction transaction(writer);
  writer.append(run, testing::samples(500));
  {
    const Book reader = Book::open(path, Book::Mode::kRead);
    CHECK(reader.run(run).sample_count == 0);
    CHECK(reader.samples(run).empty());
  }
  transaction.commit();
  CHECK(Book::open(path, Book::Mode::kRead).run(run).sample_count == 500);
}

TEST_CASE("a reader that never ends its reading holds up no recorder") {
  const Scratch scratch;
  const std::string path = scratch.path("bench.book");
  Book recorder = Book::open(path, Book::Mode::kCreate);
  const std::int64_t run = recorder.begin_run({});
  recorder.append(run, testing::samples(10));
  const Book reader = Book::open(path, Book::Mode::kRead);
  Statement reading(reader.handle(), "SELECT id FROM sample");
  REQUIRE(reading.step());
  // A commit that had to wait for the reader would give up after kBusyTimeoutMs with an Error. The
  // 40 commits outgrow the log's limit of 1000 pages (SQLite's documentation,
  // PRAGMA wal_autocheckpoint), so that a checkpoint is due while the reader stands in its way.
  for (int i = 0; i < 40; ++i) {
    Book::Transaction transaction(recorder);
    recorder.append(run, testing::samples(5000, 11 + i * 5000));
    transaction.commit();
  }
  recorder.end_run(run, RunState::kComplete);
  CHECK(recorder.run(run).sample_count == 200010);
  int seen = 1;
  while (reading.step()) ++seen;
  CHECK(seen == 10);  // what was committed when it began
  reading.reset();
  CHECK(reader.run(run).sample_count == 200010);
  CHECK(std::filesystem::file_size(path) + std::filesystem::file_size(path + "-wal") > 1000 * 4096);
}

TEST_CASE("many programs making the same book at once make one book") {
  const Scratch scratch;
  const std::string path = scratch.path("bench.book");
  std::vector<pid_t> children;
  for (int i = 0; i < 6; ++i) {
    const pid_t child = fork();
    if (child == 0) {
      try {
        Book book = Book::open(path, Book::Mode::kCreate);
        book.add(testing::part(PartKind::kBelt, "belt " + std::to_string(i)));
      } catch (...) {
        _exit(1);
      }
      _exit(0);
    }
    children.push_back(child);
  }
  for (const pid_t child : children) {
    int status = 0;
    waitpid(child, &status, 0);
    CHECK(status == 0);
  }
  const Book book = Book::open(path, Book::Mode::kRead);
  CHECK(book.parts(PartKind::kBelt).size() == 6);
  CHECK(check_book(book).findings.empty());
}

TEST_CASE("a backup made during a recording is sound, and the recording goes on") {
  const Scratch scratch;
  const std::string path = scratch.path("bench.book"), copy = scratch.path("copy.book");
  Book writer = Book::open(path, Book::Mode::kCreate);
  const auto ids = testing::fill(writer);
  const std::int64_t run = writer.begin_run({});
  writer.append(run, testing::samples(1000));
  {
    Book::Transaction transaction(writer);
    writer.append(run, testing::samples(1000, 1001));
    backup_book(Book::open(path, Book::Mode::kRead), copy);
    transaction.commit();
  }
  writer.end_run(run, RunState::kComplete);
  for (const char* beside : {".part", "-wal", "-shm", ".part-wal"})
    CHECK_FALSE(std::filesystem::exists(copy + beside));
  const Book book = Book::open(copy, Book::Mode::kRead);
  CHECK(book.run(run).state == RunState::kInterrupted);
  CHECK(book.run(run).sample_count == 1000);
  CHECK(book.run(ids.brake).content_hash == writer.run(ids.brake).content_hash);
  CHECK(check_book(book).findings.empty());
  CHECK(writer.run(run).sample_count == 2000);
  CHECK_THROWS_AS(backup_book(writer, copy), Error);
}

TEST_CASE("programs: backup, merge and check end with the contract's exit statuses") {
  const Scratch scratch;
  sound_book_bytes(scratch);
  const auto db = [&](const std::string& words) {
    return testing::run_program(scratch, LOADLINE_DB_PROGRAM, words);
  };
  CHECK(db("check --book sound.book --json").json()["sound"] == true);
  CHECK(db("backup copy.book --book sound.book").status == 0);
  CHECK(db("backup copy.book --book sound.book").status == 2);
  CHECK(db("init").status == 0);
  CHECK(db("merge sound.book --json").json()["runs_added"].size() == 3);
  CHECK(db("merge sound.book --json").json()["changed"] == false);
  CHECK(db("merge nowhere.book").status == 4);
  CHECK(db("merge bench.book").status == 2);
  sql(scratch.path("sound.book"),
      "DROP TRIGGER sample_is_never_altered; "
      "UPDATE sample SET torque_counts = 0 WHERE run_id = 1");
  const Outcome altered = db("check --book sound.book --json");
  CHECK(altered.status == 4);
  CHECK(altered.json()["sound"] == false);
  CHECK(has(altered.err, "nothing was changed"));
  CHECK(db("init --book third.book").status == 0);
  CHECK(db("merge sound.book --book third.book").status == 1);
}

TEST_CASE("an import that meets the file-size limit leaves the book as it was") {
  const Scratch scratch;
  const auto db = [&](const std::string& words, const std::string& before = "") {
    return testing::run_program(scratch, LOADLINE_DB_PROGRAM, words, before);
  };
  db("init");
  std::string text = "time_s,motor_rpm\n";
  for (int i = 0; i < 200000; ++i) text += std::to_string(i) + ".25,1234.5\n";
  scratch.write("long.csv", text);
  // 1024-byte blocks in POSIX ulimit -f are 512 bytes in dash: either way far too few.
  const Outcome outcome = db("import long.csv --kind no-load", "ulimit -f 2000;");
  CHECK(outcome.status == 4);
  CHECK(has(outcome.err, "file-size limit"));
  CHECK(db("list --json").json()["runs"] == 0);
  CHECK(db("check").status == 0);
  CHECK(db("import long.csv --kind no-load --json").json()["run"] == 1);
}

}  // namespace
}  // namespace loadline
