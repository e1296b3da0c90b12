// Books over the years: one stored book of every schema version that was shipped is opened, brought
// up to date, and must hold what it held. The books were written by the program of their version.
#include <doctest/doctest.h>
#include <sqlite3.h>

#include <array>
#include <cmath>
#include <set>
#include <sstream>

#include "db/care/check.h"
#include "db/schema/schema.h"
#include "db/sql/statement.h"
#include "tests/db/filled_book.h"
#include "tests/support/scratch.h"
#include "tests/support/tests_folder.h"

namespace loadline {
namespace {

using testing::Scratch;

std::string stored_copy(const Scratch& scratch, int version) {
  const std::string name = "v" + std::to_string(version) + ".book";
  std::filesystem::copy_file(tests_folder() + "/db/books/" + name, scratch.path(name));
  return scratch.path(name);
}

// What fill() in filled_book.h puts into a book, and beside it a belt and a document.
void require_contents(const Book& book, std::size_t runs) {
  CHECK(book.get(PartKind::kMotor, "Heron 90").uuid.size() == 36);
  const Part belt = book.get(PartKind::kBelt, "Ring, green");
  CHECK(belt.number("round-mm") == 5);
  CHECK(belt.text("section") == "round");
  REQUIRE(book.runs().size() == runs);
  CHECK(book.run(2).kind == RunKind::kBrake);
  CHECK(book.run(2).state == RunState::kInterrupted);
  CHECK(book.run(2).slip_check == 1);
  const std::vector<Sample> samples = book.samples(2);
  REQUIRE(samples.size() == 300);
  CHECK(samples[199].tick == 200000);
  CHECK(samples[199].torque_counts == 100);
  CHECK(samples[199].motor_edges == 285);
  CHECK(samples[199].motor_edge_tick == 199500);
  CHECK(book.readings(3)[119].motor_rpm == 5119);
  CHECK(book.events(2).size() == 1);
  CHECK(book.zeros(2).size() == 1);
  CHECK(book.latest_zero(1)->mean_counts == 12);
  CHECK(book.latest_calibration(1)->slope_n_per_count == 0.001);
  CHECK(book.latest_curve(false, 1)->parameters == std::vector<double>{0.2, 900});
  CHECK(book.document("plan/evening") == "{\"runs\": []}");
  CHECK(check_book(book).findings.empty());
}

// And what add_what_v2_has() adds to it.
void require_contents_of_v2(const Book& book) {
  CHECK(book.run(3).kind == RunKind::kCoastDown);
  CHECK(book.run(3).session == "first frost");
  CHECK(book.run(3).tachometer == Tachometer::kGate);
  CHECK(book.run(3).tachometer_pulses == 20);
  REQUIRE(book.changes(3).size() == 3);
  CHECK(book.changes(3)[0].before == "");
  CHECK(book.changes(3)[0].after == "first frost");
  const Run steady = book.run(4);
  CHECK(steady.steady);
  CHECK(steady.aside == "the belt came off");
  CHECK(steady.kind == RunKind::kTopSpeed);
  REQUIRE(book.changes(4).size() == 2);
  CHECK(book.changes(4)[0].field == "kind");
  CHECK(book.changes(4)[0].before == "driven");
  const std::vector<ImportedReading> points = book.readings(4);
  REQUIRE(points.size() == 3);
  CHECK(points[1].time_s == 2);
  CHECK(points[1].handwheel_rpm == 1004);
  CHECK(points[1].handwheel_rpm_sd == 2.5);
  CHECK(std::isnan(points[2].handwheel_rpm_sd));
  REQUIRE(book.part_events(PartKind::kMachine, 1).size() == 1);
  CHECK(book.part_events(PartKind::kMachine, 1)[0].what == "oiled");
  CHECK(book.get(PartKind::kMotor, "heron 90").name == "Heron 90");
}

TEST_CASE("a stored book of every shipped version keeps everything") {
  for (int version = 1; version <= current_schema_version(); ++version) {
    CAPTURE(version);
    const Scratch scratch;
    const std::string path = stored_copy(scratch, version);
    const std::size_t runs = version == 1 ? 3 : 4;
    {
      const std::string bytes = testing::bytes_of(path);
      require_contents(Book::open(path, Book::Mode::kRead), runs);
      CHECK(testing::bytes_of(path) == bytes);
    }
    { const Book upgraded = Book::open(path, Book::Mode::kWrite); }
    const Book book = Book::open(path, Book::Mode::kRead);
    CHECK(schema_version(book.handle()) == current_schema_version());
    require_contents(book, runs);
    if (version >= 2) require_contents_of_v2(book);
  }
}

// Every table, view, trigger and index in pieces of its SQL, in no matter which order: a field that
// is new in the program stands at the end of an older book's table.
std::multiset<std::string> layout(const Book& book) {
  std::multiset<std::string> pieces;
  Statement statement(book.handle(), "SELECT name, sql FROM sqlite_schema");
  while (statement.step()) {
    std::istringstream sql(statement.text(1));
    for (std::string piece; std::getline(sql, piece, ',');) {
      const auto last = piece.find_last_not_of(" \n)STRICT");  // what closes a table
      pieces.insert(statement.text(0) + ":" + piece.substr(0, last + 1));
    }
  }
  return pieces;
}

TEST_CASE("the current version still means the layout that was shipped under its number") {
  const Scratch scratch;
  const Book shipped =
      Book::open(stored_copy(scratch, current_schema_version()), Book::Mode::kWrite);
  const Book made = Book::open(scratch.path("made.book"), Book::Mode::kCreate);
  CHECK(layout(made).size() > 200);
  CHECK(layout(made) == layout(shipped));
}

TEST_CASE("a field that the program knows and the book does not becomes a column when written to") {
  const Scratch scratch;
  const std::string path = stored_copy(scratch, 1);
  sqlite3* db = nullptr;
  REQUIRE(sqlite3_open(path.c_str(), &db) == SQLITE_OK);
  REQUIRE(sqlite3_exec(db, "ALTER TABLE belt DROP COLUMN friction", nullptr, nullptr, nullptr) ==
          SQLITE_OK);
  sqlite3_close(db);
  {
    const Book book = Book::open(path, Book::Mode::kRead);
    CHECK_FALSE(book.get(PartKind::kBelt, "Ring, green").number("friction"));
  }
  Book book = Book::open(path, Book::Mode::kWrite);
  Part belt = book.get(PartKind::kBelt, "Ring, green");
  belt.fields["friction"] = 0.5;
  book.update(belt);
  CHECK(book.get(PartKind::kBelt, "Ring, green").number("friction") == 0.5);
}

void add_a_table(sqlite3* db) {
  execute(db, "CREATE TABLE later (a INTEGER) STRICT");
  execute(db, "INSERT INTO later SELECT count(*) FROM motor");
}

void fail_half_way(sqlite3* db) {
  execute(db, "CREATE TABLE half (a INTEGER) STRICT");
  execute(db, "INSERT INTO no_such_table VALUES (1)");
}

TEST_CASE("upgrades run in order, once, and all or nothing") {
  const Scratch scratch;
  const std::string path = stored_copy(scratch, 1);
  sqlite3* db = nullptr;
  REQUIRE(sqlite3_open(path.c_str(), &db) == SQLITE_OK);
  const std::array good = {Upgrade{1, upgrade_to_v1}, Upgrade{2, upgrade_to_v2},
                           Upgrade{3, add_a_table}};
  const std::array bad = {Upgrade{1, upgrade_to_v1}, Upgrade{2, upgrade_to_v2},
                          Upgrade{3, add_a_table}, Upgrade{4, fail_half_way}};
  CHECK_THROWS_AS(upgrade_schema(db, bad), Error);
  CHECK(schema_version(db) == 1);
  CHECK_THROWS_AS(Statement(db, "SELECT * FROM later"), Error);
  upgrade_schema(db, good);
  upgrade_schema(db, good);
  CHECK(schema_version(db) == 3);
  {
    Statement later(db, "SELECT a FROM later");
    REQUIRE(later.step());
    CHECK(later.whole(0) == 1);
  }
  sqlite3_close(db);
  // And this program, which is then the older one, refuses the book in words.
  CHECK_THROWS_AS(Book::open(path, Book::Mode::kWrite), Error);
}

TEST_CASE("the file says what it is to other programs") {
  const Scratch scratch;
  { Book::open(scratch.path("a.book"), Book::Mode::kCreate); }
  const std::string bytes = testing::bytes_of(scratch.path("a.book"));
  // Offsets of user_version and application_id: SQLite file format, section 1.3.
  CHECK(bytes.substr(68, 4) == "LOAD");
  CHECK(bytes.substr(60, 4) == std::string("\0\0\0\2", 4));
  CHECK(static_cast<int>(bytes[18]) == 2);  // written with a write-ahead log
}

TEST_CASE("every table is STRICT and every field of a part has its column with a range") {
  const Scratch scratch;
  const Book book = Book::open(scratch.path("a.book"), Book::Mode::kCreate);
  Statement loose(book.handle(),
                  "SELECT name FROM pragma_table_list WHERE schema = 'main' AND "
                  "type = 'table' AND NOT strict AND name NOT LIKE 'sqlite_%'");
  CHECK_FALSE(loose.step());
  for (const PartKind kind : all_part_kinds())
    for (const PartField& field : part_fields(kind)) {
      CAPTURE(field.name);
      Statement add(book.handle(), "INSERT INTO " + std::string(part_kind_name(kind)) +
                                       " (uuid, name, " + column_of_field(field.name) +
                                       ") VALUES ('00000000-0000-4000-8000-000000000000', 'x', ?)");
      if (field.type == PartField::Type::kNumber)
        add.with(field.high * 1.01 + 1);
      else
        add.with(field.choices ? "no such choice" : "");
      CHECK_THROWS_AS(add.run(), Error);
    }
}

TEST_CASE("references to parts and runs that are not there are refused") {
  const Scratch scratch;
  Book book = Book::open(scratch.path("a.book"), Book::Mode::kCreate);
  for (std::int64_t Run::*reference : {&Run::rig, &Run::motor, &Run::machine, &Run::belt,
                                       &Run::motor_pulley, &Run::hand_pulley, &Run::slip_check}) {
    Run run;
    run.*reference = 5;
    CHECK_THROWS_AS(book.begin_run(run), Error);
  }
  CHECK_THROWS_AS(book.add_event({7, 0, EventKind::kGap, 0, ""}), Error);
  CHECK_THROWS_AS(book.add_zero({0, 7, 0, ZeroMoment::kAlone, 0, 0, 0, 1, ""}), Error);
  Calibration calibration;
  calibration.rig = 7;
  calibration.arm_m = 0.1;
  CHECK_THROWS_AS(book.add_calibration(calibration), Error);
}

}  // namespace
}  // namespace loadline
