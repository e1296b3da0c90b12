// A subject over its sessions: sessions, entered events, changes found, what a person is told.
#include "fit/history/history.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <cmath>
#include <fstream>
#include <nlohmann/json.hpp>

#include "fit/belts/belt_answer.h"
#include "fit/history/evenings/belt_evenings.h"
#include "fit/history/evenings/drag_sessions.h"
#include "tests/support/bench_rows.h"
#include "tests/support/program.h"
#include "tests/support/scratch_book.h"

using namespace loadline;
using tests::kRpm;

namespace {

// J dω/dt = −c0 − c1 ω (any text): angle(t) in closed form.
struct ClosedCoast {
  double c0, c1, inertia, start;
  double stop() const { return inertia / c1 * std::log(1 + c1 * start / c0); }
  double angle(double t) const {
    const double tau = inertia / c1;
    return (start + c0 / c1) * tau * (1 - std::exp(-t / tau)) - c0 / c1 * t;
  }
  std::vector<ImportedReading> rows(unsigned seed) const {
    tests::RememberingNoise noise(0.05, 0, seed);
    std::vector<ImportedReading> all;
    const double step = 0.05;
    for (double t = step; t < 0.95 * stop(); t += step) {
      ImportedReading row;
      row.time_s = t;
      row.handwheel_rpm = ((angle(t) - angle(t - step)) / step + noise()) * kRpm;
      all.push_back(row);
    }
    return all;
  }
};

constexpr double kC0 = 0.05, kC1 = 4e-4, kInertia = 2e-3, kAdded = 1.5e-3, kStart = 120;

struct Evening {
  std::string day;
  double level;
  bool pair = true;
};

class Years {
 public:
  explicit Years(const std::vector<Evening>& evenings) {
    machine_ = tests::add_part(book(), PartKind::kMachine, "K");
    unsigned seed = 1;
    for (const Evening& evening : evenings)
      for (const double added : {0.0, kAdded}) {
        if (added > 0 && !evening.pair) continue;
        Run run;
        run.kind = RunKind::kCoastDown;
        run.machine = machine_.id;
        run.started_utc = evening.day + (added > 0 ? "T19:30:00Z" : "T19:00:00Z");
        if (added > 0) run.added_inertia_kgm2 = added;
        tests::store(
            book(), run,
            ClosedCoast{evening.level * kC0, evening.level * kC1, kInertia + added, kStart}.rows(
                seed++));
      }
  }
  Book& book() { return scratch_.book(); }
  const Part& machine() const { return machine_; }
  History history() { return history_of(book(), machine_); }

 private:
  tests::ScratchBook scratch_;
  Part machine_;
};

bool holds(const Estimate& estimate, double truth) {
  return estimate.low && estimate.high && *estimate.low <= truth && truth <= *estimate.high;
}

// Moods of eight evenings that scatter by 2.1 % (standard deviation of these numbers).
const std::vector<double> kMoods = {1.02, 0.98, 1.01, 0.99, 0.975, 1.03, 1.005, 0.99};

std::vector<Evening> years(double later) {
  std::vector<Evening> evenings;
  for (std::size_t i = 0; i < kMoods.size(); ++i)
    evenings.push_back(
        {fmt::format("202{}-0{}-10", i / 2, 1 + 6 * (i % 2)), kMoods[i] * (i < 4 ? 1 : later)});
  return evenings;
}

}  // namespace

TEST_CASE("every evening's drag is its own, at the inertia that all pairs tell") {
  Years bench(years(1));
  const History history = bench.history();
  REQUIRE(history.sessions.size() == 8);
  const DragSessions drags = drag_sessions(bench.book(), bench.machine());
  CHECK(holds(drags.inertia, kInertia));
  const double usual = kC0 + kC1 * drags.speed;
  CHECK(drags.speed <= kStart);
  CHECK(drags.speed > 0.85 * kStart);  // the window that may hold the release is left out
  for (std::size_t s = 0; s < 8; ++s) {
    CAPTURE(s);
    CHECK(history.sessions[s].runs.size() == 2);
    CHECK(*history.sessions[s].value.value == doctest::Approx(kMoods[s] * usual).epsilon(0.005));
    CHECK(history.sessions[s].value.unit == "N·m");
  }
  CHECK(holds(history.between_sessions_percent, 2.1));
  CHECK(*history.between_sessions_percent.value == doctest::Approx(2.0).epsilon(0.15));
  CHECK(holds(history.trend_percent_per_year, 0));
  CHECK(history.changes.empty());
  CHECK(holds(history.another_evening, usual));
  CHECK(history.findable_percent.has_value());
}

TEST_CASE("an entered event is compared before and after; a change nobody entered is found") {
  Years bench(years(0.85));
  const History found = bench.history();
  REQUIRE(found.changes.size() == 1);
  CHECK(found.changes.front().on == "2022-01-10");
  CHECK_FALSE(found.changes.front().event);
  CHECK(holds(found.changes.front().percent, -15));
  CHECK(holds(found.between_sessions_percent, 2.1));
  bench.book().add_part_event(
      {"", PartKind::kMachine, bench.machine().id, "2021-12-01", "oiled", ""});
  const History told = bench.history();
  REQUIRE(told.changes.size() == 1);
  CHECK(told.changes.front().event == "oiled");
  CHECK(told.changes.front().on == "2021-12-01");
  CHECK(holds(told.changes.front().percent, -15));
  CHECK(to_text(told).find("With 'oiled' (2021-12-01) it fell by 1") != std::string::npos);
}

TEST_CASE("one evening tells nothing of another; two tell little and say so") {
  Years one({{"2026-03-01", 1}});
  const History history = one.history();
  REQUIRE(history.sessions.size() == 1);
  const Json json = to_json(history);
  CHECK(json["between_sessions_percent"].is_null());
  CHECK(json["another_evening"].is_null());
  CHECK(json["trend_percent_per_year"].is_null());
  CHECK(json["changes"].empty());
  CHECK(to_text(history).find("One evening only") != std::string::npos);
  Years two({{"2026-03-01", 1}, {"2026-03-08", 1.04}});
  const Json wide = to_json(two.history())["another_evening"];
  CHECK(wide["high"].get<double>() / wide["low"].get<double>() > 1.5);
}

TEST_CASE("one session without a date leaves no dates at all, and no trend") {
  Years bench({{"some day", 1}, {"2026-02-01", 1.1}, {"2026-03-01", 0.9}, {"2026-04-01", 1}});
  const History history = bench.history();
  CHECK(history.sessions.size() == 4);
  CHECK_FALSE(history.trend_percent_per_year.value);
  CHECK(history.between_sessions_percent.value);
}

TEST_CASE("an evening without a pair leans on the inertia of the others") {
  Years bench({{"2026-01-01", 1}, {"2026-02-01", 1.1, false}, {"2026-03-01", 0.9}});
  const History history = bench.history();
  const double usual = kC0 + kC1 * drag_sessions(bench.book(), bench.machine()).speed;
  CHECK(*history.sessions[1].value.value == doctest::Approx(1.1 * usual).epsilon(0.006));
  CHECK(holds(history.sessions[1].value, 1.1 * usual));
}

TEST_CASE("no line of the text is longer than 80 columns") {
  Years bench(years(0.85));
  std::size_t columns = 0;
  for (const char c : to_text(bench.history())) {
    columns = c == '\n' ? 0 : columns + ((c & 0xC0) != 0x80 ? 1 : 0);
    CHECK(columns <= 80);
  }
}

TEST_CASE("sessions go by rig and time, or by their label") {
  tests::ScratchBook scratch;
  const Part machine = tests::add_part(scratch.book(), PartKind::kMachine, "K");
  const auto run_at = [&](const std::string& started, const std::string& label) {
    Run run;
    run.kind = RunKind::kCoastDown;
    run.machine = machine.id;
    run.started_utc = started;
    run.session = label;
    return tests::store(scratch.book(), run, {{.time_s = 0, .handwheel_rpm = 100}});
  };
  run_at("2026-03-01T21:00:00Z", "");
  run_at("2026-03-02T01:30:00Z", "");  // the same evening, past midnight
  run_at("2026-03-02T20:00:00Z", "");
  run_at("2026-03-02T20:10:00Z", "with the old belt");
  run_at("2026-11-28T10:00:00Z", "2026-02-01 typed in later");
  const std::vector<Session> sessions = sessions_of(scratch.book(), machine);
  REQUIRE(sessions.size() == 4);
  CHECK(sessions[0].started_utc == "2026-02-01");
  CHECK(sessions[1].runs.size() == 2);
  CHECK(sessions[2].runs.size() == 1);
  CHECK(sessions[3].label == "with the old belt");
  CHECK(day_of("1970-01-02T00:00:00Z") == 1);
  CHECK_FALSE(day_of("an evening"));
  CHECK_FALSE(day_of("2026-02-30"));
}

TEST_CASE("the program: one subject, dates that --on gives, refusals with one sentence") {
  const testing::Scratch scratch;
  const auto db = [&](const std::string& words) {
    return testing::run_program(scratch, LOADLINE_DB, words + " --book b.book");
  };
  const auto fit = [&](const std::string& words) {
    return testing::run_program(scratch, LOADLINE_FIT, words + " --book b.book");
  };
  REQUIRE(db("init").status == 0);
  REQUIRE(db("add machine K").status == 0);
  CHECK(fit("history").status == 2);
  CHECK(fit("history --machine K --motor M").status == 2);
  CHECK(fit("history --machine K").status == 2);  // no run yet
  CHECK(fit("history --belt nobody").status == 2);
  std::string csv = "time_s,handwheel_rpm\n";
  for (const ImportedReading& row : ClosedCoast{kC0, kC1, kInertia, kStart}.rows(1))
    csv += fmt::format("{:.2f},{:.3f}\n", row.time_s, row.handwheel_rpm);
  std::ofstream(scratch.path("k.csv")) << csv;
  const std::string import = "import k.csv --kind coast-down --machine K --inertia-kgm2 0.002 ";
  REQUIRE(db(import + "--on 2024-05-01").status == 0);
  CHECK(db(import + "--on 2024-05-32 --yes").status == 2);
  REQUIRE(db(import + "--yes").status == 0);
  REQUIRE(db("set run 2 --on 2025-06-01").status == 0);
  const nlohmann::json history = fit("history --machine K --json").json();
  REQUIRE(history["sessions"].size() == 2);
  CHECK(history["sessions"][0]["started"].get<std::string>().substr(0, 10) == "2024-05-01");
  CHECK(history["sessions"][1]["started"].get<std::string>().substr(0, 10) == "2025-06-01");
  CHECK(history["sessions"][1]["runs"] == nlohmann::json::array({2}));
  CHECK(db("show run 2").out.find("2025-06-01") != std::string::npos);
  REQUIRE(db("set run 2 --note 'a cold room'").status == 0);
  REQUIRE(db("set machine K --event oiled --on 2025-01-01").status == 0);
  REQUIRE(fit("report -o r.html --svg plots").status == 0);
  const std::string page = testing::bytes_of(scratch.path("r.html"));
  CHECK(page.find("Over the sessions") != std::string::npos);
  CHECK(page.find("oiled, 2025-01-01") != std::string::npos);
  CHECK(page.find("a cold room") != std::string::npos);
  CHECK(testing::bytes_of(scratch.path("plots/history-machine-k-1.svg")).find("oiled") !=
        std::string::npos);
}

TEST_CASE("the programs: a run put aside is named and left out everywhere, and comes back") {
  const testing::Scratch scratch;
  const auto run = [&](const char* program, const std::string& words) {
    return testing::run_program(scratch, program, words + " --book b.book");
  };
  run(LOADLINE_DB, "init");
  run(LOADLINE_DB, "add machine K");
  for (const int evening : {1, 2}) {
    std::string csv = "time_s,handwheel_rpm\n";
    const auto seed = static_cast<unsigned>(evening);
    for (const ImportedReading& row : ClosedCoast{kC0, kC1, kInertia, kStart}.rows(seed))
      csv += fmt::format("{:.2f},{:.3f}\n", row.time_s, row.handwheel_rpm);
    std::ofstream(scratch.path("k.csv")) << csv;
    REQUIRE(run(LOADLINE_DB, fmt::format("import k.csv --kind coast-down --machine K --yes "
                                         "--inertia-kgm2 0.002 --on 2024-05-0{}",
                                         evening))
                .status == 0);
  }
  const auto sessions = [&] {
    return run(LOADLINE_FIT, "history --machine K --json").json()["sessions"].size();
  };
  const std::string reason = "the belt dragged";
  REQUIRE(sessions() == 2);
  REQUIRE(run(LOADLINE_DB, "set run 2 --aside '" + reason + "'").status == 0);
  CHECK(sessions() == 1);
  const auto drag = run(LOADLINE_FIT, "drag K --json");
  CHECK(drag.json()["runs"] == nlohmann::json::array({1}));
  CHECK(drag.json()["warnings"].dump().find(reason) != std::string::npos);
  REQUIRE(run(LOADLINE_FIT, "report -o r.html").status == 0);
  CHECK(testing::bytes_of(scratch.path("r.html")).find(reason) != std::string::npos);
  CHECK(run(LOADLINE_DB, "check").status == 0);
  REQUIRE(run(LOADLINE_DB, "set run 2 --no-aside").status == 0);
  CHECK(sessions() == 2);
  CHECK(run(LOADLINE_DB, "show run 2").out.find(reason) != std::string::npos);  // on record
}

// Machine "K" with belts "new" and "worn", top speeds typed from a hand tachometer.
struct BeltBook {
  tests::ScratchBook scratch;
  Book& book = scratch.book();
  std::int64_t machine = tests::add_part(book, PartKind::kMachine, "K").id;
  std::int64_t motor = tests::add_part(book, PartKind::kMotor, "M").id;
  std::int64_t belts[2] = {tests::add_part(book, PartKind::kBelt, "new").id,
                           tests::add_part(book, PartKind::kBelt, "worn").id};

  // A run with its slip check, three readings each.
  void run(int belt, int year, double rpm) {
    const std::int64_t check = store(RunKind::kSlipCheck, belt, year, 0, 550);
    store(RunKind::kTopSpeed, belt, year, check, rpm);
  }
  BeltAnswer answer() { return answer_belts(book, book.get(PartKind::kMachine, "K")); }

 private:
  std::int64_t store(RunKind kind, int belt, int year, std::int64_t check, double rpm) {
    Run run;
    run.kind = kind;
    run.machine = machine;
    run.motor = motor;
    run.belt = belts[belt];
    run.steady = true;
    run.slip_check = check;
    run.started_utc = fmt::format("20{}-03-01T19:00:00Z", year);
    std::vector<ImportedReading> rows(3);
    for (std::size_t i = 0; i < rows.size(); ++i) {
      rows[i].time_s = static_cast<double>(i + 1);
      (kind == RunKind::kSlipCheck ? rows[i].motor_rpm : rows[i].handwheel_rpm) =
          rpm + static_cast<double>(i) - 1;
    }
    return tests::store(book, run, rows);
  }
};

TEST_CASE("a belt goes by what it does against the other belts of the same evenings") {
  BeltBook bench;
  // The machine runs easier or harder by some per cent; the worn belt loses 1 % of the speed a
  // year.
  const double moods[] = {1, 0.96, 1.03, 0.98, 1.02};
  for (int year = 0; year < 5; ++year)
    for (int belt = 0; belt < 2; ++belt)
      for (int repeat = 0; repeat < 2; ++repeat) {
        const double rpm = 1400 * moods[year] * (belt == 1 ? std::pow(0.99, year) : 1) + repeat;
        bench.run(belt, 20 + year, rpm);
      }
  const History worn = history_of(bench.book, bench.book.get(PartKind::kBelt, "worn"));
  REQUIRE(worn.sessions.size() == 5);
  CHECK(*worn.sessions[0].value.value == doctest::Approx(100).epsilon(1e-3));
  CHECK(*worn.sessions[4].value.value == doctest::Approx(100 * std::pow(0.99, 4)).epsilon(1e-3));
  CHECK(*worn.trend_percent_per_year.value == doctest::Approx(-1).epsilon(0.02));
  CHECK(*worn.between_sessions_percent.value < 0.1);  // beside the trend
  CHECK(to_text(worn).find("it falls") != std::string::npos);
}

// With next to no scatter from run to run another evening's difference is Student's prediction from
// those of k evenings: mean ± t(k − 1)·s·√(1 + 1/k) (any text). t(0.975; 3) = 3.18245 (any table).
TEST_CASE("another evening of belts: Student's limits of the differences between evenings") {
  BeltBook bench;
  const double moods[] = {1, 0.97, 1.02, 0.99}, differences[] = {0.010, 0.016, 0.007, 0.013};
  const auto record = [&](int evening) {
    for (const double repeat : {-1e-5, 1e-5})
      for (const int belt : {0, 1})
        bench.run(
            belt, 20 + evening,
            1400 * moods[evening] * std::exp((belt == 0 ? differences[evening] : 0) + repeat));
  };
  record(0);
  CHECK_FALSE(another_evening(bench.answer().comparison));
  for (const int evening : {1, 2, 3}) record(evening);
  const BeltAnswer answer = bench.answer();
  CHECK(answer.comparison.blocks == 4);  // an evening's mood is no belt's
  const auto another = another_evening(answer.comparison);
  REQUIRE(another);
  REQUIRE(another->comparisons.size() == 1);
  double mean = 0, squares = 0;
  for (const double d : differences) mean += d / 4;
  for (const double d : differences) squares += (d - mean) * (d - mean);
  const double s = std::sqrt(squares / 3), half = 3.182446 * s * std::sqrt(1.25);
  const Estimate& next = another->comparisons[0].difference_percent;
  CHECK(*next.value == doctest::Approx(100 * std::expm1(mean)).epsilon(1e-3));
  CHECK(*next.low == doctest::Approx(100 * std::expm1(mean - half)).epsilon(2e-3));
  CHECK(*next.high == doctest::Approx(100 * std::expm1(mean + half)).epsilon(2e-3));
  CHECK(*another->comparisons[0].between_evenings_percent.value ==
        doctest::Approx(100 * s).epsilon(1e-2));
  // The machine's moods are in the speeds themselves.
  const Estimate& speed = another->belts[0].top_speed;
  CHECK(another->belts[0].name == "new");
  CHECK(*speed.high / *speed.low > 1.1);
  CHECK(*speed.low < 1400);
  CHECK(*speed.high > 1400);
  const Json json = to_json(*another);
  CHECK(json["belts"][0]["top_speed"]["unit"] == "rpm");
  CHECK(json["comparisons"][0]["a"] == "new");
  CHECK(to_text(another).find("  new over worn: 1.") != std::string::npos);
}
