// What is put right later: runs put aside, kinds mended, parts joined, events put down. Nothing
// that was measured changes by it, and what stood there before stays in the book.
#include <doctest/doctest.h>
#include <sqlite3.h>

#include <fstream>

#include "db/care/check.h"
#include "db/care/join.h"
#include "db/care/pictures.h"
#include "db/exchange/merge.h"
#include "tests/db/filled_book.h"
#include "tests/support/scratch.h"

namespace loadline {
namespace {

using testing::add_what_v2_has;
using testing::fill;
using testing::part;
using testing::Scratch;

struct OneBook : Scratch {
  Book book = Book::open(path("a.book"), Book::Mode::kCreate);
  testing::Filled ids = fill(book);
};

bool refuses(const Book& book, const std::string& sql) {
  return sqlite3_exec(book.handle(), sql.c_str(), nullptr, nullptr, nullptr) != SQLITE_OK;
}

TEST_CASE("a run is put aside and taken back; hash and rows stay, each step is on record") {
  OneBook bench;
  const Run before = bench.book.run(bench.ids.brake);
  Run run = before;
  run.aside = "the felt caught fire";
  bench.book.update_run(run);
  CHECK(bench.book.run(run.id).aside == run.aside);
  run.aside.clear();
  bench.book.update_run(run);
  CHECK(bench.book.run(run.id).aside.empty());
  const auto changes = bench.book.changes(run.id);
  REQUIRE(changes.size() == 2);
  CHECK(changes[0].field == "aside");
  CHECK(changes[0].after == "the felt caught fire");
  CHECK(changes[1].before == "the felt caught fire");
  CHECK(changes[1].made_utc.size() == 20);
  CHECK(bench.book.run(run.id).content_hash == before.content_hash);
  CHECK(check_book(bench.book).findings.empty());
}

TEST_CASE("no program can mend a kind, or put aside, without a record of it") {
  OneBook bench;
  CHECK(refuses(bench.book, "UPDATE run SET kind = 'driven' WHERE id = 2"));
  CHECK(refuses(bench.book, "UPDATE run SET aside = 'why not' WHERE id = 2"));
  CHECK(refuses(bench.book, "UPDATE run SET steady = 1 WHERE id = 3"));
  Run run = bench.book.run(2);
  run.kind = RunKind::kNoLoad;
  bench.book.update_run(run);
  CHECK(bench.book.run(2).kind == RunKind::kNoLoad);
  CHECK(refuses(bench.book, "UPDATE run SET kind = 'brake' WHERE id = 2"));
  CHECK(refuses(bench.book, "UPDATE run_change SET before = 'driven'"));
  CHECK(refuses(bench.book, "DELETE FROM run_change"));
  CHECK(bench.book.changes(2)[0].before == "brake");
}

TEST_CASE("runs that leaned on a slip check that is none lean on nothing, on record") {
  OneBook bench;
  Run run = bench.book.run(bench.ids.slip_check);
  run.kind = RunKind::kNoLoad;
  bench.book.update_run(run);
  CHECK(bench.book.run(bench.ids.brake).slip_check == 0);
  REQUIRE(bench.book.changes(bench.ids.brake).size() == 1);
  CHECK(bench.book.changes(bench.ids.brake)[0].field == "slip-check");
  CHECK(check_book(bench.book).findings.empty());
}

TEST_CASE("steady points keep their order and their uncertainties; an alteration is found") {
  OneBook bench;
  add_what_v2_has(bench.book, bench.ids);
  const ReadingColumns columns = bench.book.reading_columns(4);
  CHECK(columns.time_s == std::vector<double>{1, 2, 3});
  CHECK(columns.handwheel_rpm == std::vector<double>{1000, 1004, 1008});
  CHECK(columns.handwheel_rpm_sd[1] == 2.5);
  CHECK(columns.torque_nm_sd.empty());
  CHECK(refuses(bench.book, "UPDATE imported_sd SET handwheel_rpm_sd = 1"));
  CHECK(refuses(bench.book, "DELETE FROM imported_sd"));
  CHECK(check_book(bench.book).findings.empty());
  REQUIRE_FALSE(
      refuses(bench.book,
              "DROP TRIGGER imported_sd_is_never_altered; "
              "UPDATE imported_sd SET handwheel_rpm_sd = 1 WHERE handwheel_rpm_sd = 2.5"));
  const CheckResult altered = check_book(bench.book);
  REQUIRE(altered.findings.size() == 2);  // the guard, and the hash
  CHECK(altered.findings[1].what.find("content hash") != std::string::npos);
}

TEST_CASE("two motors that are one: runs, curves, events and fields come together") {
  OneBook bench;
  Part twin = part(PartKind::kMotor, "heron ninety");
  twin.note = "from the attic";
  twin.fields["rated-v"] = 230.0;
  twin.fields["max-rpm"] = 9000.0;
  twin.id = bench.book.add(twin);
  Part kept = bench.book.get(PartKind::kMotor, "Heron 90");
  kept.fields["max-rpm"] = 12000.0;
  bench.book.update(kept);
  Run run = bench.book.run(bench.ids.brake);
  run.motor = twin.id;
  bench.book.update_run(run);
  bench.book.add_part_event({"", PartKind::kMotor, twin.id, "2025-12-31", "new brushes", ""});
  const std::string hash = run.content_hash;

  const JoinResult result = join_parts(bench.book, PartKind::kMotor, "heron ninety", "Heron 90");
  CHECK(result.runs == std::vector<std::int64_t>{bench.ids.brake});
  CHECK(result.completed == std::vector<std::string>{"rated-v"});
  CHECK(result.differences.size() == 1);
  const Part joined = bench.book.get(PartKind::kMotor, "heron ninety");  // by its old name
  CHECK(joined.id == kept.id);
  CHECK(joined.number("max-rpm") == 12000);
  CHECK(joined.note == "heron ninety: from the attic");
  CHECK(bench.book.parts(PartKind::kMotor).size() == 1);
  CHECK(bench.book.run(bench.ids.brake).motor == kept.id);
  CHECK(bench.book.run(bench.ids.brake).content_hash == hash);
  CHECK(bench.book.part_events(PartKind::kMotor, kept.id).size() == 1);
  CHECK(bench.book.joined(PartKind::kMotor, kept.id)[0].was_json.find("9000") != std::string::npos);
  CHECK(check_book(bench.book).findings.empty());
  CHECK_THROWS_AS(join_parts(bench.book, PartKind::kMotor, "heron ninety", "Heron 90"), Error);
  // The name is free again for something new, which then is meant by it.
  const std::int64_t fresh = bench.book.add(part(PartKind::kMotor, "heron ninety"));
  CHECK(bench.book.get(PartKind::kMotor, "heron ninety").id == fresh);
}

TEST_CASE("a joined part does not come back with an older copy of the book") {
  OneBook bench;
  const std::int64_t twin = bench.book.add(part(PartKind::kMotor, "twin"));
  Run run;
  run.source = RunSource::kFile;
  run.motor = twin;
  run.id = bench.book.begin_run(run);
  bench.book.append(run.id, testing::readings(5));
  bench.book.end_run(run.id, RunState::kComplete);
  Book copy = Book::open(bench.path("copy.book"), Book::Mode::kCreate);
  merge_books(copy, bench.book);
  // The copy goes on by itself and gains a run of the twin.
  const std::int64_t added = copy.begin_run([&] {
    Run more = run;
    more.uuid.clear();
    more.motor = copy.get(PartKind::kMotor, "twin").id;
    return more;
  }());
  copy.append(added, testing::readings(7));
  copy.end_run(added, RunState::kComplete);

  join_parts(bench.book, PartKind::kMotor, "twin", "Heron 90");
  const MergeResult result = merge_books(bench.book, copy);
  REQUIRE(result.runs_added.size() == 1);
  CHECK(bench.book.run(result.runs_added[0]).motor == bench.ids.motor);
  CHECK(bench.book.parts(PartKind::kMotor).size() == 1);
  CHECK_FALSE(merge_books(bench.book, copy).changed());
  // The other way round it is a person's word: said, not done.
  const MergeResult back = merge_books(copy, bench.book);
  REQUIRE(back.differences.size() == 1);
  CHECK(back.differences[0].find("loadline-db join motor \"twin\" --into \"Heron 90\"") !=
        std::string::npos);
}

// A file that begins as a PNG does (ISO/IEC 15948, 5.2); what follows nobody reads.
std::string png_file(const Scratch& scratch, const std::string& name, std::size_t size) {
  std::string path = scratch.path(name);
  std::string bytes = "\x89PNG\r\n\x1a\n";
  bytes.resize(size, '\x5a');
  std::ofstream(path, std::ios::binary) << bytes;
  return path;
}

TEST_CASE("pictures go where their part or run goes, are never twice, and alterations are found") {
  OneBook bench;
  const Part motor = bench.book.get(PartKind::kMotor, "Heron 90");
  const Run run = bench.book.run(bench.ids.brake);
  const Picture front = read_picture(png_file(bench, "front.png", 1000));
  CHECK(front.type == "image/png");
  CHECK(front.bytes == 1000);
  CHECK(front.base64.substr(0, 11) == "iVBORw0KGgp");  // RFC 4648, of the bytes above
  add_picture(bench.book, motor.uuid, front);
  add_picture(bench.book, motor.uuid, front);
  add_picture(bench.book, run.uuid, read_picture(png_file(bench, "bench.png", 500)));
  REQUIRE(pictures_of(bench.book, motor).size() == 1);
  CHECK(pictures_of(bench.book, motor)[0].name == "front.png");
  CHECK(check_book(bench.book).findings.empty());

  Book other = Book::open(bench.path("b.book"), Book::Mode::kCreate);
  CHECK(merge_books(other, bench.book).pictures_added == 2);
  CHECK(merge_books(other, bench.book).pictures_added == 0);
  CHECK(pictures_of(other, other.get(PartKind::kMotor, "Heron 90"))[0].base64 == front.base64);
  CHECK(pictures_of(other, run.uuid).size() == 1);
  CHECK(check_book(other).findings.empty());

  bench.book.add(part(PartKind::kMotor, "Heron ninety"));
  join_parts(bench.book, PartKind::kMotor, "Heron 90", "Heron ninety");
  CHECK(pictures_of(bench.book, bench.book.get(PartKind::kMotor, "Heron ninety")).size() == 1);
  CHECK(check_book(bench.book).findings.empty());

  sqlite3_exec(
      other.handle(),
      "UPDATE document SET json = replace(json, 'Wlpa', 'Wlpb') WHERE name LIKE 'picture/%'",
      nullptr, nullptr, nullptr);
  CHECK(check_book(other).findings.size() == 2);
  CHECK(pictures_of(other, run.uuid).empty());
  Book third = Book::open(bench.path("c.book"), Book::Mode::kCreate);
  CHECK(merge_books(third, other).refused.size() == 2);
}

TEST_CASE("only pictures of a size that a page can carry are taken") {
  const OneBook bench;
  CHECK_NOTHROW(read_picture(png_file(bench, "large.png", kLargestPicture)));
  CHECK_THROWS_AS(read_picture(png_file(bench, "larger.png", kLargestPicture + 1)), Error);
  CHECK_THROWS_AS(read_picture(bench.path("none.png")), Error);
  std::ofstream(bench.path("page.png")) << "<svg onload='alert(1)'/>";
  CHECK_THROWS_AS(read_picture(bench.path("page.png")), Error);
}

TEST_CASE("a merge brings what was put right, and events, once") {
  OneBook bench;
  add_what_v2_has(bench.book, bench.ids);
  Book other = Book::open(bench.path("other.book"), Book::Mode::kCreate);
  const MergeResult result = merge_books(other, bench.book);
  CHECK(result.refused.empty());
  CHECK(result.events_added == 1);
  CHECK(other.run(4).aside == "the belt came off");
  CHECK(other.run(4).steady);
  CHECK(other.run(4).content_hash == bench.book.run(4).content_hash);
  CHECK(other.changes(4).size() == 2);
  CHECK(other.readings(4)[1].handwheel_rpm_sd == 2.5);
  CHECK(other.get(PartKind::kMotor, "heron 90").name == "Heron 90");
  CHECK(check_book(other).findings.empty());
  CHECK_FALSE(merge_books(other, bench.book).changed());
}

TEST_CASE("an event needs a day that there was") {
  OneBook bench;
  for (const char* day : {"2026-02-30", "yesterday", "2026-3-1", "20260301", "2026-13-01", ""}) {
    CAPTURE(day);
    CHECK_THROWS_AS(
        bench.book.add_part_event({"", PartKind::kMachine, bench.ids.machine, day, "oiled", ""}),
        Error);
  }
}

}  // namespace
}  // namespace loadline
