// Belt sessions from rows in a book to the answer: who is compared, who is refused and why.
#include <doctest/doctest.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>

#include "fit/belts/belt_answer.h"
#include "tests/support/belt_bench.h"
#include "tests/support/scratch.h"

using namespace loadline;
using bench::SessionTruth;

namespace {

struct Bench {
  loadline::testing::Scratch scratch;
  Book book = Book::open(scratch.path("belts.book"), Book::Mode::kCreate);

  BeltAnswer answer(const SessionOptions& options = {}) {
    return answer_belts(book, book.get(PartKind::kMachine, "attic"), options);
  }

  // One more run of a belt; returns its number.
  std::int64_t add(const std::string& belt, std::int64_t slip_check, double speed_rpm,
                   double supply_v) {
    Run run;
    run.kind = RunKind::kTopSpeed;
    run.machine = book.get(PartKind::kMachine, "attic").id;
    run.motor = book.get(PartKind::kMotor, "drum").id;
    run.motor_pulley = book.get(PartKind::kPulley, "small").id;
    run.belt = belt.empty() ? 0 : book.get(PartKind::kBelt, belt).id;
    run.slip_check = slip_check;
    return bench::store(book, run, bench::top_speed_rows(truth, speed_rpm, supply_v, engine));
  }

  std::int64_t add_slip(const std::string& belt, double creep_rpm) {
    Run run;
    run.kind = RunKind::kSlipCheck;
    run.machine = book.get(PartKind::kMachine, "attic").id;
    run.belt = book.get(PartKind::kBelt, belt).id;
    return bench::store(book, run, bench::slip_rows(truth, creep_rpm, engine));
  }

  SessionTruth truth;
  std::mt19937_64 engine{77};
};

std::string reason_of(const BeltAnswer& answer, std::int64_t run) {
  for (const RefusedRun& refused : answer.comparison.refused)
    if (refused.run == run) return refused.reason;
  return "";
}

bool says(const std::string& text, const std::string& words) {
  return text.find(words) != std::string::npos;
}

SessionTruth three_belts() {
  SessionTruth truth;
  truth.belts = {{"wedge", 1.0}, {"ring", 0.93}, {"cord", 0.93}};
  truth.repeats = 5;
  truth.repeat_sd = 0.004;
  return truth;
}

}  // namespace

TEST_CASE("a session with a true difference: its size, its interval, its letters") {
  Bench bench;
  bench::play_session(bench.book, three_belts(), 4);
  const BeltAnswer answer = bench.answer();
  CHECK(answer.why_not.empty());
  CHECK(answer.comparison.refused.empty());
  REQUIRE(answer.comparison.belts.size() == 3);
  const BeltResult& best = answer.comparison.belts[0];
  CHECK(best.name == "wedge");
  CHECK(*best.group == "a");
  CHECK(*best.top_speed.low < 1000);
  CHECK(*best.top_speed.high > 1000);
  for (std::size_t i = 1; i < 3; ++i) {
    CHECK(*answer.comparison.belts[i].group == "b");
    CHECK(*answer.comparison.belts[i].relative_percent.low < -7);
    CHECK(*answer.comparison.belts[i].relative_percent.high > -7);
  }
  const Json json = to_json(answer);
  for (const char* key : {"belts", "comparisons", "refused", "warnings"}) CHECK(json.contains(key));
  CHECK(json["comparisons"].size() == 3);
  CHECK(json["belts"][0]["top_speed"]["unit"] == "rpm");
}

TEST_CASE("runs are refused one by one, each for its reason") {
  Bench bench;
  bench::play_session(bench.book, three_belts(), 9);
  const std::int64_t good = bench.add_slip("ring", 900);
  const std::int64_t loose = bench.add_slip("ring", 1500);
  const std::int64_t tight = bench.add_slip("ring", 500);
  const std::int64_t other = bench.add_slip("cord", 900);
  const std::int64_t without = bench.add("ring", 0, 930, 230);
  const std::int64_t too_loose = bench.add("ring", loose, 930, 230);
  const std::int64_t too_tight = bench.add("ring", tight, 930, 230);
  const std::int64_t wrong = bench.add("ring", other, 930, 230);
  const std::int64_t volts = bench.add("ring", good, 830, 207);
  const std::int64_t nameless = bench.add("", good, 930, 230);
  SessionTruth lazy = bench.truth;
  bench.truth.run_up_s = 8;
  const std::int64_t rising = bench.add("ring", good, 930, 230);
  bench.truth = lazy;
  const BeltAnswer answer = bench.answer();
  CHECK(says(reason_of(answer, without), "names no slip check"));
  CHECK(says(reason_of(answer, too_loose), "outside the band"));
  CHECK(says(reason_of(answer, too_loose), "tighten"));
  CHECK(says(reason_of(answer, too_tight), "loosen"));
  CHECK(says(reason_of(answer, wrong), "another belt"));
  CHECK(says(reason_of(answer, volts), "supply voltage off"));
  CHECK(says(reason_of(answer, nameless), "names no belt"));
  CHECK(says(reason_of(answer, rising), "still rose"));
  CHECK(answer.comparison.refused.size() == 7);
  CHECK(answer.comparison.runs.size() == 15);
  // On request the setting is not looked at, and the result carries the warning.
  SessionOptions any;
  any.any_slip = true;
  const BeltAnswer loosely = bench.answer(any);
  CHECK(reason_of(loosely, too_loose).empty());
  CHECK(reason_of(loosely, without).empty());
  CHECK(says(loosely.comparison.warnings.front(), "share") !=
        says(loosely.comparison.warnings.front(), "not looked at"));
}

TEST_CASE("a slip check whose hand wheel turned is none") {
  Bench bench;
  bench::play_session(bench.book, three_belts(), 9);
  Run run;
  run.kind = RunKind::kSlipCheck;
  run.machine = bench.book.get(PartKind::kMachine, "attic").id;
  auto rows = bench::slip_rows(bench.truth, 900, bench.engine);
  for (ImportedReading& row : rows) row.handwheel_rpm = row.motor_rpm / 7;
  const std::int64_t check = bench::store(bench.book, run, rows);
  const std::int64_t leaning = bench.add("ring", check, 930, 230);
  CHECK(says(reason_of(bench.answer(), leaning), "hand wheel turned"));
}

// The same tension creeps slower where the pulley pulls harder: each pulley pair keeps its own
// band.
TEST_CASE("a pulley pair with another creep speed has its own band") {
  std::vector<SlipValue> values;
  for (const double x : {900.0, 910.0, 880.0, 905.0}) values.push_back({x, "small"});
  for (const double x : {600.0, 610.0, 590.0, 1000.0}) values.push_back({x, "large"});
  const auto bands = slip_bands("creep speed", "rpm", values, std::nullopt);
  CHECK(band_for(bands, "small").holds(900));
  CHECK(band_for(bands, "large").holds(600));
  CHECK_FALSE(band_for(bands, "large").holds(1000));
  CHECK_FALSE(band_for(bands, "small").holds(600));
  // Alike pairs share one band, of the width that was asked for.
  const std::vector<SlipValue> alike{{900, "small"}, {910, "small"}, {890, "small"},
                                     {905, "large"}, {895, "large"}, {900, "large"}};
  const auto one = slip_bands("creep speed", "rpm", alike, 10);
  REQUIRE(one.size() == 1);
  CHECK(one[0].low == doctest::Approx(810));
  CHECK(one[0].high == doctest::Approx(990));
}

TEST_CASE("one belt alone is not comparable, and the answer says what to do") {
  Bench bench;
  SessionTruth truth = three_belts();
  truth.belts.resize(1);
  bench::play_session(bench.book, truth, 2);
  const BeltAnswer answer = bench.answer();
  CHECK(says(answer.why_not, "only belt wedge remains"));
  CHECK(to_json(answer)["comparable"] == false);
}

TEST_CASE("without a hand-wheel tachometer motor speeds are compared, with a warning") {
  Bench bench;
  SessionTruth truth = three_belts();
  bench::play_session(bench.book, truth, 21);
  // The same session again on another machine name, hand-wheel column taken out.
  loadline::testing::Scratch scratch;
  Book bare = Book::open(scratch.path("bare.book"), Book::Mode::kCreate);
  for (const PartKind kind :
       {PartKind::kMachine, PartKind::kMotor, PartKind::kBelt, PartKind::kPulley})
    for (Part part : bench.book.parts(kind)) {
      part.id = 0;
      part.uuid.clear();
      bare.add(part);
    }
  for (Run run : bench.book.runs()) {
    auto rows = bench.book.readings(run.id);
    for (ImportedReading& row : rows) row.handwheel_rpm = ImportedReading::kNone;
    const auto moved = [&](PartKind kind, std::int64_t id) {
      return id ? bare.get(kind, bench.book.part(kind, id).name).id : 0;
    };
    run.uuid.clear();
    run.content_hash.clear();
    run.machine = moved(PartKind::kMachine, run.machine);
    run.motor = moved(PartKind::kMotor, run.motor);
    run.belt = moved(PartKind::kBelt, run.belt);
    run.motor_pulley = moved(PartKind::kPulley, run.motor_pulley);
    bench::store(bare, run, rows);
  }
  const BeltAnswer answer = answer_belts(bare, bare.get(PartKind::kMachine, "attic"));
  CHECK(answer.comparison.at_motor);
  REQUIRE(answer.comparison.belts.size() == 3);
  CHECK_FALSE(answer.comparison.belts[0].top_speed.value);
  CHECK(*answer.comparison.belts[0].motor_speed->value == doctest::Approx(7000).epsilon(0.01));
  CHECK(*answer.comparison.belts[1].relative_percent.low < -7);
  CHECK(*answer.comparison.belts[1].relative_percent.high > -7);
}

// The full study with its table is tests/study/belt_study.cc; this is its alarm bell. 60 sessions
// of three equal belts: at 5 % (binomial) more than 8 false differences have a probability of 0.4
// %.
TEST_CASE("equal belts are rarely told apart") {
  SessionTruth truth;
  truth.belts = {{"one", 1.0}, {"two", 1.0}, {"three", 1.0}};
  int wrong = 0;
  for (std::uint64_t seed = 0; seed < 60; ++seed) {
    Bench bench;
    bench::play_session(bench.book, truth, 1000 + seed);
    bool any = false;
    for (const BeltPair& pair : bench.answer().comparison.comparisons)
      any = any || *pair.difference_percent.low > 0 || *pair.difference_percent.high < 0;
    wrong += any ? 1 : 0;
  }
  CHECK(wrong <= 8);
}
