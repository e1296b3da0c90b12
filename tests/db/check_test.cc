// `check` must see each kind of harm that a book can come to, and never touch it.
#include "db/care/check.h"

#include <doctest/doctest.h>
#include <fmt/format.h>
#include <sqlite3.h>

#include <random>

#include "tests/db/filled_book.h"
#include "tests/support/scratch.h"

namespace loadline {
namespace {

using testing::Scratch;

std::string all_of(const CheckResult& result) {
  std::string text;
  for (const Finding& finding : result.findings) text += finding.where + ": " + finding.what + "\n";
  return text;
}

// Harms a filled book by another program's SQL and says what check finds.
std::string found_after(const std::string& sql) {
  const Scratch scratch;
  const std::string path = scratch.path("bench.book");
  {
    Book book = Book::open(path, Book::Mode::kCreate);
    testing::fill(book);
  }
  sqlite3* db = nullptr;
  REQUIRE(sqlite3_open(path.c_str(), &db) == SQLITE_OK);
  REQUIRE(sqlite3_exec(db, sql.c_str(), nullptr, nullptr, nullptr) == SQLITE_OK);
  sqlite3_close(db);
  const std::string before = testing::bytes_of(path);
  std::string found;
  {
    const Book book = Book::open(path, Book::Mode::kRead);
    found = all_of(check_book(book));
  }
  CHECK(testing::bytes_of(path) == before);
  return found;
}

bool has(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

const std::string kNoGuards =
    "DROP TRIGGER sample_is_never_altered; DROP TRIGGER sample_is_never_deleted;"
    "DROP TRIGGER imported_is_never_altered; DROP TRIGGER imported_is_never_deleted;"
    "DROP TRIGGER run_is_never_deleted; DROP TRIGGER run_stays_ended; DROP TRIGGER "
    "run_kind_is_changed_on_record;";

TEST_CASE("a sound book has no findings") { CHECK(found_after("SELECT 1") == ""); }

TEST_CASE("missing guards are named") {
  CHECK(has(found_after("DROP TRIGGER run_is_never_deleted"),
            "trigger run_is_never_deleted is missing or altered"));
  CHECK(has(found_after("DROP VIEW reading; CREATE VIEW reading AS SELECT 1 AS run_id"),
            "view reading is missing or altered"));
  CHECK(has(found_after("CREATE TRIGGER mine AFTER INSERT ON run BEGIN DELETE FROM document; END"),
            "the trigger mine is not Loadline's"));
}

TEST_CASE("a name with orders for a terminal in it is named by its number") {
  CHECK(has(found_after("UPDATE motor SET name = 'x' || char(27) || '[2J'"),
            "motor 1: its name has a control character (code 27)"));
}

TEST_CASE("a changed, a removed and an added row of a run are seen") {
  CHECK(has(found_after(kNoGuards + "UPDATE sample SET torque_counts = 7 WHERE id = (2 << 42) + "
                                    "5000"),
            "run 2: its rows were altered"));
  CHECK(has(found_after(kNoGuards + "UPDATE imported SET motor_rpm = 1 WHERE id = (3 << 42) + 5"),
            "run 3: its rows were altered"));
  CHECK(has(found_after(kNoGuards + "DELETE FROM sample WHERE id = (2 << 42) + 5000"),
            "run 2: 299 rows are there, 300 were written"));
  CHECK(has(found_after("INSERT INTO sample (id) VALUES ((2 << 42) + 1)"),
            "run 2: 301 rows are there, 300 were written"));
  CHECK(has(found_after(kNoGuards + "UPDATE sample SET id = id + 1 WHERE id = (2 << 42) + 5000"),
            "run 2: its rows were altered"));
}

TEST_CASE("rows without a run, and of the wrong sort, are seen") {
  CHECK(has(found_after("INSERT INTO sample (id) VALUES ((99 << 42) + 1)"),
            "run 99: rows in 'sample' belong to no run"));
  CHECK(has(found_after("INSERT INTO sample (id) VALUES ((3 << 42) + 1)"),
            "run 3: rows in 'sample', but the run came from csv"));
  CHECK(has(found_after("PRAGMA foreign_keys = OFF; UPDATE run SET motor_id = 77 WHERE id = 1"),
            "run 1: refers to a motor that is not in the book"));
}

TEST_CASE("impossible data are seen even under a matching hash") {
  CHECK(has(found_after("PRAGMA foreign_keys = OFF; UPDATE run SET slip_check_id = 3 WHERE id = 2"),
            "run 2: leans on run 3 as its slip check, which is a coast-down run"));
  CHECK(has(found_after("UPDATE curve SET covariance = '[[-1,0],[0,1]]'"),
            "curve 1: a variance is negative"));
  CHECK(has(found_after("UPDATE curve SET covariance = '[[1,0.5],[0,1]]'"),
            "curve 1: the covariance is not symmetric"));
  CHECK(has(found_after("UPDATE curve SET parameters = '[1'"),
            "curve 1: curve 1 in the book is damaged"));
  CHECK(has(found_after(kNoGuards + "UPDATE sample SET motor_edges = 0 WHERE id = (2 << 42) + "
                                    "200000"),
            "run 2: the edge count of the motor falls at tick 200000"));
  CHECK(has(found_after(kNoGuards + "UPDATE sample SET torque_counts = 3000000000 WHERE id = "
                                    "(2 << 42) + 5000"),
            "run 2: a converter count at tick 5000 is wider than any converter"));
  CHECK(has(found_after(kNoGuards + "UPDATE imported SET time_s = 99 WHERE id = (3 << 42) + 5"),
            "run 3: time falls"));
  CHECK(has(found_after(kNoGuards + "UPDATE imported SET motor_rpm = 9e999 WHERE id = (3 << 42)"),
            "run 3: a value at 0 s is no reading"));
  CHECK(has(found_after("INSERT INTO document VALUES ('plan/x', '{', '')"),
            "document 'plan/x': is not valid JSON"));
}

TEST_CASE("a run and a curve that do not read hide nothing that stands behind them") {
  const std::string found = found_after(
      kNoGuards +
      "PRAGMA ignore_check_constraints = ON;"
      "UPDATE run SET kind = 'waltz' WHERE id = 1;"
      "UPDATE sample SET torque_counts = 7 WHERE id = (2 << 42) + 5000;"
      "INSERT INTO curve SELECT 2, '00000000-0000-4000-8000-000000000009', motor_id, machine_id, "
      "model, parameter_names, parameters, '[[-1,0],[0,1]]', degrees_of_freedom, "
      "speed_low_rad_per_s, speed_high_rad_per_s, supply_v, residual_rms_nm, details_json, "
      "program_version, made_utc FROM curve; UPDATE curve SET parameters = '[1' WHERE id = 1");
  CHECK(has(found, "run 1: run 1 has the unknown kind 'waltz'"));
  CHECK(has(found, "run 2: its rows were altered"));
  CHECK(has(found, "curve 1: curve 1 in the book is damaged"));
  CHECK(has(found, "curve 2: a variance is negative"));
}

TEST_CASE("any one measured value that changes by one is found") {
  const Scratch scratch;
  Book book = Book::open(scratch.path("bench.book"), Book::Mode::kCreate);
  testing::fill(book);
  const auto run_sql = [&](const std::string& sql) {
    REQUIRE(sqlite3_exec(book.handle(), sql.c_str(), nullptr, nullptr, nullptr) == SQLITE_OK);
  };
  run_sql(kNoGuards);
  const std::string unguarded = all_of(check_book(book));
  std::mt19937 random(11);
  int found = 0;
  constexpr int kChanges = 200;
  for (int i = 0; i < kChanges; ++i) {
    const bool imported = i % 4 == 0;
    static const char* const kColumns[] = {"torque_counts", "motor_edges", "motor_edge_age_ticks"};
    const std::string table = imported ? "imported" : "sample";
    const std::string column = imported ? "motor_rpm" : kColumns[i % 3];
    const std::string at = " WHERE id = (SELECT id FROM " + table + " LIMIT 1 OFFSET " +
                           std::to_string(random() % (imported ? 120 : 350)) + ")";
    run_sql(fmt::format("SAVEPOINT one; UPDATE {0} SET {1} = {1} + 1{2}", table, column, at));
    const std::string now = all_of(check_book(book));
    if (now != unguarded && has(now, imported ? "run 3: " : "run ")) ++found;
    run_sql("ROLLBACK TO one; RELEASE one");
  }
  MESSAGE(found << " of " << kChanges << " changed values were found");
  CHECK(found == kChanges);
  CHECK(all_of(check_book(book)) == unguarded);
}

TEST_CASE("bytes flipped anywhere in the pages are found, refused at opening, or harmless") {
  // Harmless: free space inside a page, and values that no hash covers (a note, a name).
  const Scratch scratch;
  const std::string path = scratch.path("bench.book");
  {
    Book book = Book::open(path, Book::Mode::kCreate);
    testing::fill(book);
  }
  const std::string sound = testing::bytes_of(path);
  std::mt19937 random(7);
  int seen = 0;
  const int tries = 60;
  for (int i = 0; i < tries; ++i) {
    std::string bytes = sound;
    for (int k = 0; k < 40; ++k) bytes[random() % bytes.size()] = static_cast<char>(random() % 256);
    scratch.write("bench.book", bytes);
    try {
      const Book book = Book::open(path, Book::Mode::kRead);
      if (!check_book(book).findings.empty()) ++seen;
    } catch (const Error& error) {
      CHECK(error.fault() == Fault::kBook);
      ++seen;
    }
  }
  CHECK(seen > tries / 2);
}

}  // namespace
}  // namespace loadline
