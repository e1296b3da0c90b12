// The book as its users see it: what goes in comes out, and what must not go in does not.
#include "db/book.h"

#include <doctest/doctest.h>
#include <sqlite3.h>

#include <cmath>
#include <numeric>

#include "db/store/sample_stretches.h"
#include "tests/support/scratch.h"

namespace loadline {
namespace {

using testing::Scratch;

Book new_book(const Scratch& scratch) {
  return Book::open(scratch.path("bench.book"), Book::Mode::kCreate);
}

Part motor(const std::string& name) {
  Part part;
  part.kind = PartKind::kMotor;
  part.name = name;
  return part;
}

double query(const Book& book, const std::string& sql) {
  sqlite3_stmt* statement = nullptr;
  REQUIRE(sqlite3_prepare_v2(book.handle(), sql.c_str(), -1, &statement, nullptr) == SQLITE_OK);
  REQUIRE(sqlite3_step(statement) == SQLITE_ROW);
  const double value = sqlite3_column_type(statement, 0) == SQLITE_NULL
                           ? std::numeric_limits<double>::quiet_NaN()
                           : sqlite3_column_double(statement, 0);
  sqlite3_finalize(statement);
  return value;
}

TEST_CASE("a part comes back as it was stored") {
  const Scratch scratch;
  Book book = new_book(scratch);
  Part part = motor("Drawer 3, left");
  part.note = "brushes new\nsecond line";
  part.fields = {{"shaft-mm", 6.35}, {"type", std::string("series")}, {"rated-v", 230.0}};
  part.id = book.add(part);
  const Part stored = book.get(PartKind::kMotor, "Drawer 3, left");
  CHECK(stored.fields == part.fields);
  CHECK(stored.note == part.note);
  CHECK(stored.uuid.size() == 36);
  CHECK(stored.number("shaft-mm") == 6.35);
  CHECK_FALSE(stored.number("max-rpm"));
  CHECK(stored.text("type") == "series");
  CHECK_THROWS_AS(stored.number("groove-top-mm"), std::logic_error);
}

TEST_CASE("a value outside its field's range is refused and leaves nothing") {
  const Scratch scratch;
  Book book = new_book(scratch);
  Part part = motor("M");
  part.fields = {{"shaft-mm", 0.00635}};
  CHECK_THROWS_WITH_AS(book.add(part),
                       "--shaft-mm 0.00635 is outside 0.5 to 100; check the unit in its name.",
                       Error);
  part.fields = {{"type", std::string("steam")}};
  CHECK_THROWS_AS(book.add(part), Error);
  CHECK(book.parts(PartKind::kMotor).empty());
}

TEST_CASE("names are unique within a kind, not between kinds") {
  const Scratch scratch;
  Book book = new_book(scratch);
  book.add(motor("A"));
  CHECK_THROWS_AS(book.add(motor("A")), Error);
  Part belt = motor("A");
  belt.kind = PartKind::kBelt;
  CHECK(book.add(belt) > 0);
}

TEST_CASE("an unknown name brings the closest ones") {
  const Scratch scratch;
  Book book = new_book(scratch);
  book.add(motor("Heron 90"));
  try {
    book.get(PartKind::kMotor, "heron 9O");
    FAIL("found");
  } catch (const Error& error) {
    CHECK(error.fault() == Fault::kInput);
    CHECK(std::string(error.what()).find("did you mean 'Heron 90'?") != std::string::npos);
  }
}

std::vector<Sample> turning(int count, std::int64_t period, std::int64_t edge_period) {
  std::vector<Sample> samples;
  for (int i = 1; i <= count; ++i) {
    Sample sample;
    sample.tick = i * period;
    sample.torque_counts = 1000 + i;
    sample.motor_edges = sample.tick / edge_period;
    if (*sample.motor_edges > 0) sample.motor_edge_tick = *sample.motor_edges * edge_period;
    samples.push_back(sample);
  }
  return samples;
}

bool same(const Sample& a, const Sample& b) {
  return a.tick == b.tick && a.torque_counts == b.torque_counts && a.motor_edges == b.motor_edges &&
         a.motor_edge_tick == b.motor_edge_tick && a.handwheel_edges == b.handwheel_edges &&
         a.handwheel_edge_tick == b.handwheel_edge_tick && a.supply_counts == b.supply_counts &&
         a.temperature_counts == b.temperature_counts;
}

TEST_CASE("samples come back exactly, absent channels absent") {
  const Scratch scratch;
  Book book = new_book(scratch);
  const std::int64_t run = book.begin_run({});
  std::vector<Sample> samples = turning(100, 1000, 700);
  samples[50].supply_counts = -2147483647 - 1;
  samples[51].temperature_counts = 2147483647;
  samples.back().tick = (std::int64_t{1} << 42) - 1;
  book.append(run, std::span(samples).first(1));
  book.append(run, std::span(samples).subspan(1));
  book.end_run(run, RunState::kComplete);
  const std::vector<Sample> stored = book.samples(run);
  REQUIRE(stored.size() == samples.size());
  for (std::size_t i = 0; i < samples.size(); ++i) CHECK(same(stored[i], samples[i]));
  const Run ended = book.run(run);
  CHECK(ended.sample_count == 100);
  CHECK(ended.state == RunState::kComplete);
  CHECK(ended.content_hash.size() == 64);
}

TEST_CASE("a look over a run sees the first samples of each stretch and the last of all") {
  const Scratch scratch;
  Book book = new_book(scratch);
  const auto ticks_seen = [&](std::int64_t apart) {
    const std::int64_t id = book.begin_run({});
    std::vector<Sample> samples(1000);
    for (std::size_t i = 0; i < samples.size(); ++i)
      samples[i].tick = 7 + apart * static_cast<std::int64_t>(i);
    book.append(id, samples);
    std::vector<std::int64_t> seen;
    each_stretch(book, id, 100, 4, [&](std::span<const Sample> rows) {
      for (const Sample& sample : rows) seen.push_back(sample.tick);
    });
    return seen;
  };
  // Ticks 7 to 1006, ten stretches and what is left of an eleventh.
  std::vector<std::int64_t> expected = {7, 8, 9, 10};
  for (std::int64_t stretch = 100; stretch <= 1000; stretch += 100)
    for (std::int64_t i = 0; i < 4; ++i) expected.push_back(stretch + i);
  expected.push_back(1006);
  CHECK(ticks_seen(1) == expected);
  // Three in a stretch, then one in several: every one, once.
  for (const std::int64_t apart : {34, 950}) {
    const std::vector<std::int64_t> all = ticks_seen(apart);
    REQUIRE(all.size() == 1000);
    for (std::size_t i = 0; i < all.size(); ++i)
      CHECK(all[i] == 7 + apart * static_cast<std::int64_t>(i));
  }
}

TEST_CASE("a block with a fault leaves nothing of itself, and the run goes on") {
  const Scratch scratch;
  Book book = new_book(scratch);
  const std::int64_t run = book.begin_run({});
  std::vector<Sample> samples = turning(10, 1000, 700);
  book.append(run, samples);
  std::vector<Sample> bad = {samples[9]};
  CHECK_THROWS_AS(book.append(run, bad), Error);
  bad[0].tick = 20000;
  bad[0].motor_edge_tick = 20000 + (std::int64_t{1} << 32);
  CHECK_THROWS_AS(book.append(run, bad), Error);
  bad[0].motor_edge_tick = 20000;
  book.append(run, bad);
  book.end_run(run, RunState::kComplete);
  CHECK(book.run(run).sample_count == 11);
  CHECK(book.samples(run).size() == 11);
}

TEST_CASE("a transaction that is not committed leaves count and hash as they were") {
  const Scratch scratch;
  Book book = new_book(scratch);
  const std::vector<Sample> samples = turning(64, 1000, 700);
  const std::int64_t plain = book.begin_run({});
  book.append(plain, samples);
  book.end_run(plain, RunState::kComplete);
  const std::int64_t run = book.begin_run({});
  book.append(run, std::span(samples).first(40));
  {
    Book::Transaction transaction(book);
    book.append(run, std::span(samples).subspan(40));
  }
  book.append(run, std::span(samples).subspan(40));
  book.end_run(run, RunState::kComplete);
  CHECK(book.run(run).content_hash == book.run(plain).content_hash);
  CHECK(book.run(run).sample_count == 64);
}

TEST_CASE("a run that has ended is never altered, by us or by SQL") {
  const Scratch scratch;
  Book book = new_book(scratch);
  const std::int64_t run = book.begin_run({});
  const std::vector<Sample> samples = turning(10, 1000, 700);
  book.append(run, std::span(samples).first(5));
  book.end_run(run, RunState::kComplete);
  CHECK_THROWS_AS(book.append(run, std::span(samples).subspan(5)), Error);
  CHECK_THROWS_AS(book.end_run(run, RunState::kInterrupted), Error);
  for (const char* sql :
       {"UPDATE sample SET torque_counts = 0", "DELETE FROM sample", "DELETE FROM run",
        "UPDATE run SET content_hash = ''", "UPDATE run SET sample_count = 4"})
    CHECK(sqlite3_exec(book.handle(), sql, nullptr, nullptr, nullptr) == SQLITE_CONSTRAINT_TRIGGER);
}

TEST_CASE("the view gives rpm by reciprocal counting and torque by calibration and zeros") {
  const Scratch scratch;
  Book book = new_book(scratch);
  Part rig;
  rig.kind = PartKind::kRig;
  rig.name = "Bench";
  Run run;
  run.rig = book.add(rig);
  run.tick_hz = 1e6;
  run.motor_pulses_per_turn = 2;
  const std::int64_t id = book.begin_run(run);
  // An edge every 5 ms at two pulses a turn: 100 turns a second, 6000 rpm.
  book.append(id, turning(200, 12500, 5000));
  book.add_zero({0, run.rig, id, ZeroMoment::kBefore, 0, 100, 1, 10, ""});
  book.add_zero({0, run.rig, id, ZeroMoment::kAfter, 2500000, 300, 1, 10, ""});
  Calibration calibration;
  calibration.rig = run.rig;
  calibration.slope_n_per_count = 0.01;
  calibration.arm_m = 0.1;
  book.add_calibration(calibration);
  book.end_run(id, RunState::kComplete);
  CHECK(std::isnan(query(book, "SELECT motor_rpm FROM reading WHERE run_id = 1 LIMIT 1")));
  CHECK(query(book, "SELECT min(motor_rpm) FROM reading WHERE run_id = 1") ==
        doctest::Approx(6000));
  CHECK(query(book, "SELECT max(motor_rpm) FROM reading WHERE run_id = 1") ==
        doctest::Approx(6000));
  // Half way (tick 1250000, sample 100): counts 1100, zero 200, so 0.1 m · 0.01 N · 900 = 0.9 N·m.
  CHECK(query(book, "SELECT torque_nm FROM reading WHERE run_id = 1 AND time_s = 1.25") ==
        doctest::Approx(0.9));
}

TEST_CASE("where no edge came the speed is not known, neither zero nor the last value") {
  const Scratch scratch;
  Book book = new_book(scratch);
  Run run;
  run.tick_hz = 1e6;
  run.motor_pulses_per_turn = 1;
  const std::int64_t id = book.begin_run(run);
  book.append(id, turning(4, 1000, 1800));  // edges at 1800 and 3600; samples at 1000 … 4000
  book.end_run(id, RunState::kComplete);
  CHECK(query(book, "SELECT count(*) FROM reading") == 4);
  CHECK(query(book, "SELECT count(motor_rpm) FROM reading") == 1);
  CHECK(query(book, "SELECT motor_rpm FROM reading WHERE time_s = 0.004") ==
        doctest::Approx(60.0 / 0.0018));
}

TEST_CASE("imported readings come back, missing cells missing") {
  const Scratch scratch;
  Book book = new_book(scratch);
  Run run;
  run.source = RunSource::kFile;
  const std::int64_t id = book.begin_run(run);
  std::vector<ImportedReading> readings(40);
  for (std::size_t i = 0; i < readings.size(); ++i) {
    readings[i].time_s = 0.1 * static_cast<double>(i);
    if (i % 3) readings[i].motor_rpm = 1000.0 + static_cast<double>(i);
    readings[i].torque_nm = 1.0 / (1.0 + static_cast<double>(i));
  }
  book.append(id, readings);
  book.end_run(id, RunState::kComplete);
  const auto stored = book.readings(id);
  REQUIRE(stored.size() == 40);
  for (std::size_t i = 0; i < 40; ++i) {
    CHECK(stored[i].time_s == readings[i].time_s);
    CHECK(stored[i].torque_nm == readings[i].torque_nm);
    CHECK(std::isnan(stored[i].motor_rpm) == std::isnan(readings[i].motor_rpm));
    CHECK(std::isnan(stored[i].supply_v));
  }
  const ReadingColumns columns = book.reading_columns(id);
  for (const auto* column : {&columns.time_s, &columns.motor_rpm, &columns.torque_nm})
    REQUIRE(column->size() == 40);
  for (const auto* column : {&columns.handwheel_rpm, &columns.supply_v, &columns.temperature_c})
    CHECK(column->empty());
  for (std::size_t i = 0; i < 40; ++i) {
    CHECK(columns.time_s[i] == readings[i].time_s);
    CHECK(columns.torque_nm[i] == readings[i].torque_nm);
    CHECK(std::isnan(columns.motor_rpm[i]) == std::isnan(readings[i].motor_rpm));
  }
}

TEST_CASE(
    "readings of two runs that are filled in turn stay apart, whatever channels each block has") {
  const Scratch scratch;
  Book book = new_book(scratch);
  Run imported;
  imported.source = RunSource::kFile;
  const std::int64_t earlier = book.begin_run(imported), later = book.begin_run(imported);
  const auto block = [](double from_s, double rpm, double torque_nm) {
    std::vector<ImportedReading> rows(100);
    for (std::size_t i = 0; i < rows.size(); ++i) {
      rows[i].time_s = from_s + static_cast<double>(i);
      rows[i].motor_rpm = rpm;
      if (i % 2) rows[i].torque_nm = torque_nm;
    }
    return rows;
  };
  const double none = std::nan("");
  // The later run's rows lie behind the earlier one's, which then are not the table's last.
  book.append(earlier, block(0, 100, none));
  book.append(later, block(0, 200, 2));
  book.append(earlier, block(100, 101, 1));
  book.append(later, block(100, 201, none));
  for (const std::int64_t run : {earlier, later}) {
    const std::vector<ImportedReading> rows = book.readings(run);
    REQUIRE(rows.size() == 200);
    const double rpm = run == earlier ? 100 : 200;
    for (std::size_t i = 0; i < rows.size(); ++i) {
      CHECK(rows[i].time_s == static_cast<double>(i));
      CHECK(rows[i].motor_rpm == (i < 100 ? rpm : rpm + 1));
      const bool torque = i % 2 && (run == earlier) == (i >= 100);
      CHECK(std::isnan(rows[i].torque_nm) == !torque);
      if (torque) CHECK(rows[i].torque_nm == (run == earlier ? 1 : 2));
      CHECK(std::isnan(rows[i].supply_v));
    }
  }
}

TEST_CASE("a run so long that two connections read it comes back as from one") {
  const Scratch scratch;
  Book book = new_book(scratch);
  Run run;
  run.source = RunSource::kFile;
  const std::int64_t id = book.begin_run(run);
  std::vector<ImportedReading> rows(250'001);
  for (std::size_t i = 0; i < rows.size(); ++i) {
    rows[i].time_s = 0.01 * static_cast<double>(i);
    // One channel with holes, one that only the second half has, one for one row.
    if (i % 7 != 0) rows[i].motor_rpm = static_cast<double>(i);
    if (i > 200'000) rows[i].torque_nm = 1e-6 * static_cast<double>(i);
    if (i == 3) rows[i].supply_v = 230;
  }
  book.append(id, rows);
  book.end_run(id, RunState::kComplete);
  const ReadingColumns columns = book.reading_columns(id);
  const std::vector<ImportedReading> one_by_one = book.readings(id);
  REQUIRE(columns.time_s.size() == rows.size());
  REQUIRE(one_by_one.size() == rows.size());
  const auto same = [](double a, double b) { return a == b || (std::isnan(a) && std::isnan(b)); };
  std::size_t alike = 0;
  for (std::size_t i = 0; i < rows.size(); ++i) {
    const ImportedReading& row = one_by_one[i];
    if (same(columns.time_s[i], row.time_s) && same(columns.motor_rpm[i], row.motor_rpm) &&
        same(columns.torque_nm[i], row.torque_nm) && same(columns.supply_v[i], row.supply_v))
      ++alike;
  }
  CHECK(alike == rows.size());
  CHECK(columns.temperature_c.empty());
}

TEST_CASE("a curve keeps covariance and sources to the last bit") {
  const Scratch scratch;
  Book book = new_book(scratch);
  StoredCurve curve;
  curve.subject = book.add(motor("M"));
  curve.model = "permanent-magnet";
  curve.parameter_names = {"stall", "free"};
  curve.parameters = {0.1 + 0.2, 1.0 / 3.0};
  curve.covariance = Covariance(2);
  curve.covariance.rows = {1e-9, 1.0 / 7, 1.0 / 7, 2e30};
  curve.speed_high = 900;
  curve.runs = {book.begin_run({}), book.begin_run({})};
  book.add_curve(curve);
  const auto stored = book.latest_curve(false, curve.subject);
  REQUIRE(stored);
  CHECK(stored->parameters == curve.parameters);
  CHECK(stored->covariance == curve.covariance);
  CHECK(stored->runs == curve.runs);
  CHECK(stored->parameter_names == curve.parameter_names);
  CHECK_FALSE(book.latest_curve(true, curve.subject));
}

TEST_CASE("the newest calibration and the newest zero alone are in force") {
  const Scratch scratch;
  Book book = new_book(scratch);
  Part rig;
  rig.kind = PartKind::kRig;
  rig.name = "Bench";
  Calibration calibration;
  calibration.rig = book.add(rig);
  calibration.arm_m = 0.1;
  for (const double slope : {1.0, 2.0}) {
    calibration.slope_n_per_count = slope;
    calibration.made_utc = slope < 2 ? "2026-01-02T00:00:00Z" : "2026-01-01T00:00:00Z";
    book.add_calibration(calibration);
  }
  CHECK(book.latest_calibration(calibration.rig)->slope_n_per_count == 1.0);
  CHECK(book.calibrations(calibration.rig).front().slope_n_per_count == 2.0);
  CHECK_FALSE(book.latest_zero(calibration.rig));
  book.add_zero({0, calibration.rig, 0, ZeroMoment::kAlone, 0, 5, 1, 10, "2026-01-01T00:00:00Z"});
  book.add_zero({0, calibration.rig, 0, ZeroMoment::kAlone, 0, 6, 1, 10, "2026-01-03T00:00:00Z"});
  CHECK(book.latest_zero(calibration.rig)->mean_counts == 6);
}

// Another program's SQL into a new book.
std::string altered_book(const Scratch& scratch, const std::string& sql) {
  { new_book(scratch); }
  std::string path = scratch.path("bench.book");
  sqlite3* db = nullptr;
  REQUIRE(sqlite3_open(path.c_str(), &db) == SQLITE_OK);
  REQUIRE(sqlite3_exec(db, sql.c_str(), nullptr, nullptr, nullptr) == SQLITE_OK);
  sqlite3_close(db);
  return path;
}

TEST_CASE("a view in a table's place is not run: it could go on for ever") {
  const Scratch scratch;
  const std::string path = altered_book(
      scratch,
      "DROP TABLE document; CREATE VIEW document (name, json) AS WITH RECURSIVE n (i) AS "
      "(SELECT 1 UNION ALL SELECT i + 1 FROM n) SELECT i, '{}' FROM n");
  for (const Book::Mode mode : {Book::Mode::kRead, Book::Mode::kWrite}) {
    CAPTURE(static_cast<int>(mode));
    std::string said;
    try {
      Book::open(path, mode).document_names("");
    } catch (const Error& error) {
      said = error.what();
    }
    CHECK(said.find("holds a view 'document' that Loadline did not make") != std::string::npos);
  }
}

TEST_CASE("a trigger that Loadline did not make is not fired, and the book can be read") {
  const Scratch scratch;
  const std::string path = altered_book(
      scratch, "CREATE TRIGGER mine AFTER INSERT ON motor BEGIN DELETE FROM document; END");
  CHECK_THROWS_WITH_AS(Book::open(path, Book::Mode::kWrite),
                       doctest::Contains("holds a trigger 'mine'"), Error);
  CHECK(Book::open(path, Book::Mode::kRead).runs().empty());
}

TEST_CASE("a view of one's own beside Loadline's is nobody's business") {
  const Scratch scratch;
  const std::string path = altered_book(scratch, "CREATE VIEW my_runs AS SELECT id, note FROM run");
  Book book = Book::open(path, Book::Mode::kWrite);
  CHECK(book.add(motor("M")) == 1);
}

TEST_CASE("a count that a run only claims to have takes no memory") {
  const Scratch scratch;
  const std::string path = altered_book(
      scratch,
      "INSERT INTO run (uuid, kind, state, source, started_utc, program_version, sample_count, "
      "content_hash) VALUES ('00000000-0000-4000-8000-000000000001', 'brake', 'complete', 'rig', "
      "'', '', 9223372036854775807, '" +
          std::string(64, '0') + "')");
  const Book book = Book::open(path, Book::Mode::kRead);
  CHECK(book.samples(1).empty());
}

TEST_CASE("documents are kept by name") {
  const Scratch scratch;
  Book book = new_book(scratch);
  CHECK_FALSE(book.document("plan/evening"));
  book.put_document("plan/evening", "{\"a\": 1}");
  book.put_document("plan/evening", "{\"a\": 2}");
  book.put_document("slip-band", "3");
  CHECK(book.document("plan/evening") == "{\"a\": 2}");
  CHECK(book.document_names("plan/") == std::vector<std::string>{"plan/evening"});
  CHECK_THROWS_AS(book.put_document("x", "{"), Error);
}

}  // namespace
}  // namespace loadline
