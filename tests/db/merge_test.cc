// Books of several benches brought together.
#include "db/exchange/merge.h"

#include <doctest/doctest.h>
#include <sqlite3.h>

#include "db/care/check.h"
#include "tests/db/filled_book.h"
#include "tests/support/scratch.h"

namespace loadline {
namespace {

using testing::fill;
using testing::part;
using testing::Scratch;

struct TwoBooks : Scratch {
  Book here = Book::open(path("here.book"), Book::Mode::kCreate);
  Book there = Book::open(path("there.book"), Book::Mode::kCreate);
};

// Everything that a merge may touch, as text; equal before and after means nothing changed.
std::string contents(const Book& book) {
  std::string all;
  for (const char* sql :
       {"SELECT name, uuid, note, max_rpm FROM motor", "SELECT name, uuid FROM rig",
        "SELECT name, uuid FROM machine",
        "SELECT id, uuid, motor_id, slip_check_id, state, sample_count, content_hash FROM run",
        "SELECT id, torque_counts FROM sample", "SELECT id, time_s FROM imported",
        "SELECT run_id, kind FROM event", "SELECT rig_id, run_id, moment, mean_counts FROM zero",
        "SELECT uuid FROM calibration", "SELECT uuid, motor_id FROM curve",
        "SELECT * FROM curve_run"}) {
    const auto take = [](void* into, int columns, char** values, char**) {
      for (int i = 0; i < columns; ++i)
        *static_cast<std::string*>(into) += std::string(values[i] ? values[i] : "-") + "|";
      *static_cast<std::string*>(into) += "\n";
      return 0;
    };
    REQUIRE(sqlite3_exec(book.handle(), sql, take, &all, nullptr) == SQLITE_OK);
  }
  return all;
}

TEST_CASE("a merge brings parts, runs with their hashes, zeros, events, calibration and curve") {
  TwoBooks books;
  books.here.begin_run({});  // so that numbers differ
  const auto ids = fill(books.there);
  const MergeResult result = merge_books(books.here, books.there);
  CHECK(result.parts_added == 3);
  CHECK(result.runs_added.size() == 3);
  CHECK(result.calibrations_added == 1);
  CHECK(result.curves_added == 1);
  CHECK(result.zeros_added == 1);
  CHECK(result.refused.empty());
  const Run theirs = books.there.run(ids.brake);
  const Run ours = books.here.run(result.runs_added[1]);
  CHECK(ours.uuid == theirs.uuid);
  CHECK(ours.content_hash == theirs.content_hash);
  CHECK(ours.state == RunState::kInterrupted);
  CHECK(ours.started_utc == theirs.started_utc);
  CHECK(books.here.run(ours.slip_check).uuid == books.there.run(ids.slip_check).uuid);
  CHECK(books.here.part(PartKind::kMotor, ours.motor).name == "Heron 90");
  CHECK(books.here.events(ours.id).size() == 1);
  CHECK(books.here.zeros(ours.id).size() == 1);
  CHECK(books.here.samples(ours.id).size() == 300);
  CHECK(books.here.latest_curve(false, ours.motor)->runs == std::vector<std::int64_t>{ours.id});
  CHECK(check_book(books.here).findings.empty());
}

TEST_CASE("merging twice changes nothing") {
  TwoBooks books;
  fill(books.here, "Other");
  fill(books.there);
  merge_books(books.here, books.there);
  const std::string once = contents(books.here);
  const MergeResult again = merge_books(books.here, books.there);
  CHECK_FALSE(again.changed());
  CHECK(again.runs_known == 3);
  CHECK(contents(books.here) == once);
}

TEST_CASE("merging there and back gives both books the same runs and parts") {
  TwoBooks books;
  fill(books.here, "A");
  fill(books.there, "B");
  merge_books(books.here, books.there);
  merge_books(books.there, books.here);
  CHECK_FALSE(merge_books(books.here, books.there).changed());
  CHECK(books.here.runs().size() == 6);
  CHECK(books.there.runs().size() == 6);
}

TEST_CASE("a name that is taken by another part gets a number, the same at every merge") {
  TwoBooks books;
  books.here.add(part(PartKind::kMotor, "Heron 90"));
  books.here.add(part(PartKind::kMotor, "Heron 90 (2)"));
  books.there.add(part(PartKind::kMotor, "Heron 90"));
  const MergeResult result = merge_books(books.here, books.there);
  REQUIRE(result.renamed.size() == 1);
  CHECK(result.renamed[0].second == "Heron 90 (3)");
  CHECK(merge_books(books.here, books.there).renamed.empty());
  CHECK(books.here.parts(PartKind::kMotor).size() == 3);
}

TEST_CASE("a long name with accents stays valid when it gets its number") {
  TwoBooks books;
  std::string name;
  for (int i = 0; i < 100; ++i) name += "\xC3\xA9";
  books.here.add(part(PartKind::kBelt, name));
  books.there.add(part(PartKind::kBelt, name));
  const MergeResult result = merge_books(books.here, books.there);
  REQUIRE(result.renamed.size() == 1);
  CHECK(result.renamed[0].second.size() <= 200);
  CHECK(books.here.find(PartKind::kBelt, result.renamed[0].second));
}

TEST_CASE("a part known to both gains the fields it lacked and keeps its own") {
  TwoBooks books;
  Part motor = part(PartKind::kMotor, "M");
  motor.uuid = "00000000-0000-4000-8000-000000000001";
  motor.fields = {{"max-rpm", 9000.0}};
  books.here.add(motor);
  motor.name = "renamed there";
  motor.fields = {{"max-rpm", 8000.0}, {"rated-v", 230.0}};
  books.there.add(motor);
  const MergeResult result = merge_books(books.here, books.there);
  const Part merged = books.here.get(PartKind::kMotor, "M");
  CHECK(merged.number("max-rpm") == 9000);
  CHECK(merged.number("rated-v") == 230);
  CHECK(result.parts_completed == 1);
  CHECK(result.differences.size() == 1);
}

TEST_CASE("a run whose rows were altered is not let in, nor is its curve") {
  TwoBooks books;
  const auto ids = fill(books.there);
  REQUIRE(sqlite3_exec(books.there.handle(),
                       "DROP TRIGGER sample_is_never_altered;"
                       "UPDATE sample SET torque_counts = torque_counts + 1 WHERE run_id = 2 AND "
                       "tick = 7000",
                       nullptr, nullptr, nullptr) == SQLITE_OK);
  REQUIRE(ids.brake == 2);
  const MergeResult result = merge_books(books.here, books.there);
  CHECK(result.runs_added.size() == 2);
  REQUIRE(result.refused.size() == 2);
  CHECK(result.refused[0].what == "run 2");
  CHECK(result.refused[1].what == "curve 1");
  CHECK(check_book(books.here).findings.empty());
}

TEST_CASE("a run that is being recorded waits for the next merge") {
  TwoBooks books;
  const std::int64_t run = books.there.begin_run({});
  books.there.append(run, testing::samples(10));
  CHECK(merge_books(books.here, books.there).refused.size() == 1);
  books.there.end_run(run, RunState::kComplete);
  CHECK(merge_books(books.here, books.there).runs_added.size() == 1);
}

void alter(const Book& book, const std::string& sql) {
  REQUIRE(sqlite3_exec(book.handle(), sql.c_str(), nullptr, nullptr, nullptr) == SQLITE_OK);
}

std::string refusals(const MergeResult& result) {
  std::string all;
  for (const auto& refusal : result.refused) all += refusal.what + ": " + refusal.reason + "\n";
  return all;
}

TEST_CASE("what the book cannot take is refused by itself, with all that leans on it") {
  TwoBooks books;
  fill(books.there);
  alter(books.there, "UPDATE machine SET name = 'attic' || char(27) || '[2J'");
  const MergeResult result = merge_books(books.here, books.there);
  CHECK(result.parts_added == 2);
  CHECK(result.runs_added.size() == 2);
  CHECK(result.curves_added == 1);
  // The imported run, number 3, is the machine's.
  CHECK(refusals(result).find("machine 1: the name of the machine has a control character") == 0);
  CHECK(refusals(result).find("run 3: it refers to machine 1, which") != std::string::npos);
  CHECK(check_book(books.here).findings.empty());
  CHECK_FALSE(merge_books(books.here, books.there).changed());
}

TEST_CASE("impossible rows are not let in, though their hash is right") {
  TwoBooks books;
  Run run;
  run.tick_hz = 1e6;
  const std::int64_t id = books.there.begin_run(run);
  std::vector<Sample> samples = testing::samples(10);
  samples[5].motor_edges = 0;  // an edge count that falls; no recorder appends it
  books.there.append(id, samples);
  books.there.end_run(id, RunState::kComplete);
  CHECK(refusals(merge_books(books.here, books.there)) ==
        "run 1: the edge count of the motor falls at tick 6000\n");
  CHECK(books.here.runs().empty());
}

TEST_CASE("a curve that no fit can have stored is not let in") {
  TwoBooks books;
  fill(books.there);
  alter(books.there, "UPDATE curve SET covariance = '[[-1,0],[0,1]]'");
  CHECK(refusals(merge_books(books.here, books.there)) == "curve 1: a variance is negative\n");
  CHECK(check_book(books.here).findings.empty());
}

TEST_CASE("a damaged curve is refused by its number and the curves after it come in") {
  for (const char* damage :
       {"covariance = '[[1]]'", "parameters = '[1'", "parameter_names = '[1, 2]'"}) {
    CAPTURE(damage);
    TwoBooks books;
    fill(books.there);
    StoredCurve sound = books.there.curves().at(0);
    sound.uuid = "";
    books.there.add_curve(sound);
    alter(books.there, std::string("UPDATE curve SET ") + damage + " WHERE id = 1");
    const MergeResult result = merge_books(books.here, books.there);
    CHECK(refusals(result) == "curve 1: curve 1 in the book is damaged; fit it again\n");
    CHECK(result.curves_added == 1);
    CHECK(books.here.curves().size() == 1);
    CHECK(check_book(books.here).findings.empty());
    CHECK_FALSE(merge_books(books.here, books.there).changed());
  }
}

TEST_CASE("a damaged curve of this book stays what it is and ends no merge") {
  TwoBooks books;
  fill(books.here, "Other");
  fill(books.there);
  alter(books.here, "UPDATE curve SET parameters = '[1'");
  CHECK(merge_books(books.here, books.there).curves_added == 1);
}

TEST_CASE("a run of a kind that does not exist is refused by itself") {
  TwoBooks books;
  fill(books.there);
  alter(books.there,
        "PRAGMA ignore_check_constraints = ON; DROP TRIGGER run_stays_ended; DROP TRIGGER "
        "run_kind_is_changed_on_record;"
        "UPDATE run SET kind = 'waltz' WHERE id = 3");
  const MergeResult result = merge_books(books.here, books.there);
  CHECK(refusals(result).find("run 3: run 3 has the unknown kind 'waltz'") == 0);
  CHECK(result.refused.size() == 1);
  CHECK(result.runs_added.size() == 2);
  CHECK(result.curves_added == 1);
}

TEST_CASE("a run with a page that does not read is refused by itself") {
  const Scratch scratch;
  const std::string path = scratch.path("there.book");
  {
    Book there = Book::open(path, Book::Mode::kCreate);
    fill(there);
    Run run;
    run.tick_hz = 1e6;
    const std::int64_t fourth = there.begin_run(run);
    there.append(fourth, testing::samples(2000));
    there.end_run(fourth, RunState::kComplete);
  }
  // The pages that were needed last hold the rows of the last run. SQLite's file format: the size
  // of a page stands at byte 16, and a leaf of a table begins with 0x0D.
  std::string bytes = testing::bytes_of(path);
  const std::size_t page =
      static_cast<unsigned char>(bytes[16]) * 256U + static_cast<unsigned char>(bytes[17]);
  REQUIRE(page >= 512);
  std::size_t last = bytes.size() - page;
  while (bytes[last] != '\x0D') last -= page;
  bytes[last] = '\x7F';
  scratch.write("there.book", bytes);
  const Book there = Book::open(path, Book::Mode::kRead);
  Book here = Book::open(scratch.path("here.book"), Book::Mode::kCreate);
  const MergeResult result = merge_books(here, there);
  REQUIRE(result.refused.size() == 1);
  CHECK(result.refused[0].what == "run 4");
  CHECK(result.refused[0].reason.find("there.book is damaged") != std::string::npos);
  CHECK(result.runs_added.size() == 3);
  CHECK(result.curves_added == 1);
  CHECK(here.samples(result.runs_added[1]).size() == 300);
  CHECK(check_book(here).findings.empty());
}

TEST_CASE("a run comes with its slip check whichever has the higher number") {
  TwoBooks books;
  const auto ids = fill(books.there);
  Run later = books.there.run(ids.slip_check);
  later.uuid = "";
  const std::int64_t again = books.there.begin_run(later);
  books.there.append(again, testing::samples(20));
  books.there.end_run(again, RunState::kComplete);
  Run brake = books.there.run(ids.brake);
  brake.slip_check = again;
  books.there.update_run(brake);
  const MergeResult result = merge_books(books.here, books.there);
  REQUIRE(result.runs_added.size() == 4);
  RunFilter brakes;
  brakes.kind = RunKind::kBrake;
  const Run ours = books.here.runs(brakes).at(0);
  CHECK(books.here.run(ours.slip_check).uuid == books.there.run(again).uuid);
}

TEST_CASE("documents stay with their book and a book is not merged into itself") {
  TwoBooks books;
  books.there.put_document("plan/evening", "{}");
  CHECK(merge_books(books.here, books.there).documents_left == 1);
  CHECK(books.here.document_names("").empty());
  const Book same = Book::open(books.path("here.book"), Book::Mode::kRead);
  CHECK_THROWS_AS(merge_books(books.here, same), Error);
}

}  // namespace
}  // namespace loadline
