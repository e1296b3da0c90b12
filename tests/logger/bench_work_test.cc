// Work at the bench beside the recording: slip checks, belt plans, calibration points, and what the
// live page knows and lets in.
#include <doctest/doctest.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>
#include <fstream>
#include <set>

#include "db/basis/shell_word.h"
#include "db/care/evening.h"
#include "logger/belt_plan.h"
#include "logger/calibration_points.h"
#include "logger/live/coverage.h"
#include "logger/live/desk.h"
#include "logger/live/gate.h"
#include "logger/live/plain_words.h"
#include "logger/live_meter.h"
#include "logger/mounting.h"
#include "logger/run_quality.h"
#include "logger/slip_verdict.h"
#include "logger/speed_watch.h"
#include "logger/standstill_watch.h"
#include "tests/logger/support/bench_book.h"

using namespace loadline;

namespace {

/// A slip check of 2 s at `rpm`, 4 pulses a turn, 80 samples a second after 1 s of rest.
std::int64_t slip_run(Book& book, double rpm, std::int64_t machine = 0) {
  Run run;
  run.kind = RunKind::kSlipCheck;
  run.rig = book.get(PartKind::kRig, "bench").id;
  run.machine = machine;
  run.tick_hz = 2e6;
  run.motor_pulses_per_turn = 4;
  const std::int64_t id = book.begin_run(run);
  std::vector<Sample> samples;
  for (int i = 0; i < 320; ++i) {
    Sample sample;
    sample.tick = i * 25'000;
    const double moving = std::clamp(i / 80.0 - 1.0, 0.0, 2.0);
    const double edges = std::floor(moving * rpm / 60 * 4);
    sample.motor_edges = static_cast<std::int64_t>(edges);
    if (edges > 0)
      sample.motor_edge_tick = static_cast<std::int64_t>(2e6 * (1 + edges * 60 / 4 / rpm));
    sample.torque_counts = moving > 0 && moving < 2 ? 21'000 : 1'000;
    samples.push_back(sample);
  }
  book.append(id, samples);
  book.end_run(id, RunState::kComplete);
  return id;
}

void add(Book& book, PartKind kind, const std::string& name) {
  Part part;
  part.kind = kind;
  part.name = name;
  book.add(part);
}

}  // namespace

TEST_CASE("The creep speed of a slip check is that of the edges; the first check sets the band") {
  testing::Scratch folder;
  Book book = bench_book(folder);
  const SlipVerdict first = judge_slip_check(book, book.run(slip_run(book, 4000)), 2, {}, 15);
  CHECK(first.word == "set");
  CHECK(first.made_target);
  REQUIRE(first.reading.creep_rpm.value);
  CHECK(*first.reading.creep_rpm.value == doctest::Approx(4000).epsilon(0.002));
  // 20,000 counts at 1e-4 N per count on 0.1 m.
  CHECK(*first.reading.torque.value == doctest::Approx(0.2).epsilon(1e-6));
  CHECK(judge_slip_check(book, book.run(slip_run(book, 4400)), 2, {}, 15).word == "set");
  CHECK(judge_slip_check(book, book.run(slip_run(book, 5000)), 2, {}, 15).word == "tighten");
  CHECK(judge_slip_check(book, book.run(slip_run(book, 3000)), 2, {}, 15).word == "loosen");
  CHECK(judge_slip_check(book, book.run(slip_run(book, 3000)), 2, 3100.0, 15).word == "set");
}

TEST_CASE("Each machine has its own band") {
  testing::Scratch folder;
  Book book = bench_book(folder);
  add(book, PartKind::kMachine, "anvil");
  const std::int64_t anvil = book.get(PartKind::kMachine, "anvil").id;
  judge_slip_check(book, book.run(slip_run(book, 4000)), 2, {}, 15);
  CHECK(judge_slip_check(book, book.run(slip_run(book, 2000, anvil)), 2, {}, 15).made_target);
}

TEST_CASE("A plan holds each belt once a round on each pulley, in an order that its seed repeats") {
  BeltPlan plan;
  plan.belts = {"a", "b", "c"};
  plan.motor_pulleys = {"P", "Q"};
  plan.repeats = 4;
  plan.seed = 5;
  draw_order(plan);
  REQUIRE(plan.steps.size() == 24);
  for (std::size_t round = 0; round < 8; ++round) {
    std::set<std::string> belts;
    for (std::size_t i = 0; i < 3; ++i) {
      belts.insert(plan.steps[3 * round + i].belt);
      CHECK(plan.steps[3 * round + i].motor_pulley == plan.steps[12 * (round / 4)].motor_pulley);
    }
    CHECK(belts.size() == 3);
  }
  BeltPlan again = plan;
  draw_order(again);
  CHECK(std::equal(plan.steps.begin(), plan.steps.end(), again.steps.begin(),
                   [](const auto& a, const auto& b) { return a.belt == b.belt; }));
}

TEST_CASE("Over many seeds every belt comes first equally often") {
  // 3,000 draws of three: 1,000 each with a standard deviation of 26 (binomial).
  std::map<std::string, int> first;
  for (std::uint64_t seed = 0; seed < 3000; ++seed) {
    BeltPlan plan;
    plan.belts = {"a", "b", "c"};
    plan.motor_pulleys = {""};
    plan.repeats = 1;
    plan.seed = seed;
    draw_order(plan);
    ++first[plan.steps[0].belt];
  }
  for (const auto& [belt, count] : first) CHECK(std::abs(count - 1000) < 4 * 26);
}

TEST_CASE("A plan survives the book, and its progress is seen from the runs") {
  testing::Scratch folder;
  Book book = bench_book(folder);
  add(book, PartKind::kMachine, "anvil");
  const std::string odd = "<b>\"ring\", é 🧵'";
  for (const std::string& belt : {std::string("a"), odd}) add(book, PartKind::kBelt, belt);
  BeltPlan plan;
  plan.name = "evening";
  plan.machine = "anvil";
  plan.belts = {"a", odd};
  plan.motor_pulleys = {""};
  plan.repeats = 2;
  plan.made_utc = "2026-01-01T00:00:00Z";
  draw_order(plan);
  keep_plan(book, plan);
  const BeltPlan known = load_plan(book, "");
  CHECK(known.belts == plan.belts);
  CHECK(next_step(progress(book, known)) == std::size_t{0});
  Run run;
  run.machine = book.get(PartKind::kMachine, "anvil").id;
  run.belt = book.get(PartKind::kBelt, plan.steps[0].belt).id;
  run.kind = RunKind::kSlipCheck;
  const std::int64_t check = book.begin_run(run);
  book.end_run(check, RunState::kComplete);
  CHECK(progress(book, known)[0].slip_check == check);
  run.kind = RunKind::kTopSpeed;
  run.slip_check = check;
  const std::int64_t top = book.begin_run(run);
  book.end_run(top, RunState::kComplete);
  CHECK(progress(book, known)[0].top_speed == top);
  CHECK(next_step(progress(book, known)) == std::size_t{1});
}

TEST_CASE(
    "Points of a calibration: by counts, from a capture, or from the rig; up and down by order") {
  CHECK(read_ordered_point("500=81250.5").counts == 81250.5);
  CHECK(read_ordered_point("500=rest.capture").port == "rest.capture");
  CHECK_FALSE(read_ordered_point("500").counts.has_value());
  for (const char* wrong : {"", "x", "-5", "500=", "nan", "1e999"})
    CHECK_THROWS_AS(read_ordered_point(wrong), Error);
  std::vector<LoadPoint> points = {{0, 0, {}}, {1, 1, {}}, {2, 2, {}}, {1, 1, {}}, {0, 0, {}}};
  direct_by_order(points);
  CHECK(points[2].direction == LoadDirection::kUp);
  CHECK(points[3].direction == LoadDirection::kDown);
}

TEST_CASE("A file of points is refused with the line that is wrong") {
  testing::Scratch folder;
  const auto refused = [&](const char* text, const char* what) {
    std::ofstream(folder.path("points.csv")) << text;
    CHECK_THROWS_WITH_AS(read_points_file(folder.path("points.csv")), doctest::Contains(what),
                         Error);
  };
  refused("mass,counts\n", "'mass'");
  refused("mass_g\n", "counts");
  refused("mass_g,counts\n0,1\n5,x\n", "line 3");
  refused("mass_g,counts,direction\n0,1,sideways\n", "line 2");
  refused("mass_g,counts\n-1,1\n", "line 2");
  std::ofstream(folder.path("points.csv")) << "counts,mass_g\r\n1000,0\r\n2000,500\r\n";
  CHECK(read_points_file(folder.path("points.csv"))[1].mass_kg == doctest::Approx(0.5));
}

TEST_CASE("The page opens to this machine's names only, and on the network to a code, once") {
  std::string code;
  int told = 0;
  Gate gate(true, 8347, [&](const std::string& fresh) {
    code = fresh;
    ++told;
  });
  CHECK(gate.host_is_ours("192.168.1.5:8347"));
  CHECK_FALSE(gate.host_is_ours("evil.example:8347"));
  CHECK_FALSE(gate.host_is_ours("192.168.1.5:80"));
  CHECK(gate.host_is_ours("[fe80::1]:8347"));
  for (const char* name : {"[evil.com]:8347", "[]:8347", "[:8347", "1.2.3:8347", "...:8347",
                           "999.1.1.1:8347", "[::1]evil.com:8347", ":8347", ""})
    CHECK_FALSE(gate.host_is_ours(name));
  CHECK_FALSE(gate.token_opens(""));
  CHECK(gate.exchange("WRONGONE").empty());
  const std::string used = code;
  const std::string token = gate.exchange(code);
  CHECK(token.size() == 32);
  CHECK(gate.token_opens(token));
  CHECK(told == 2);
  CHECK(gate.exchange(used).empty());
  for (int i = 0; i < 300; ++i) CHECK(gate.exchange("WRONGONE").empty());
  CHECK_FALSE(gate.exchange(code).empty());  // wrong ones never shut out who has the right one
  Gate loopback(false, 8347, [](const std::string&) {});
  CHECK(loopback.token_opens(""));
  CHECK(loopback.host_is_ours("127.0.0.1:8347"));
  CHECK_FALSE(loopback.host_is_ours("192.168.1.5:8347"));
  CHECK(Gate::origin_fits("http://127.0.0.1:8347", "127.0.0.1:8347"));
  CHECK_FALSE(Gate::origin_fits("", "127.0.0.1:8347"));
  CHECK_FALSE(Gate::origin_fits("http://evil.example", "127.0.0.1:8347"));
}

TEST_CASE("The hint names the widest part of the speed range without points") {
  SpeedCoverage coverage;
  CHECK(coverage.hint().kind.empty());
  for (int i = 0; i < 10; ++i) coverage.take(10'000);
  CHECK(coverage.hint().kind == "below");
  CHECK(coverage.hint().to_rpm == 9000);
  for (int rpm = 250; rpm < 10'000; rpm += 100)
    if (rpm < 4000 || rpm > 7000) coverage.take(rpm);
  CHECK(coverage.hint().kind == "between");
  CHECK(coverage.hint().from_rpm == 4000);
  CHECK(coverage.hint().to_rpm == 7000);
}

namespace {

/// What the desk is told every tenth of a second for `seconds`: 100 rpm more each second.
void show_for(LiveDesk& desk, double seconds, double from_s = 0) {
  for (int i = 0; i < static_cast<int>(seconds * 10); ++i) {
    RecordingView view;
    view.reading.elapsed_s = from_s + i * 0.1;
    view.reading.motor_rpm = 100 * view.reading.elapsed_s;
    view.reading.torque_nm = 0.1;
    desk.show(view);
  }
}

}  // namespace

TEST_CASE("Between runs the trace keeps two minutes; of a run it keeps all, thinned") {
  LiveDesk desk(true);
  desk.rest("");
  show_for(desk, 300);
  std::uint64_t from = 0;
  Json state = desk.state(from);
  CHECK(state["points"].front()[0].get<double>() == doctest::Approx(300 - 0.1 - 120).epsilon(1e-3));
  CHECK(state["points"].back()[0].get<double>() == doctest::Approx(299.9));
  CHECK(state["coverage"].is_null());

  RecordOrder order;
  desk.begin(order);
  show_for(desk, 3000);
  from = 0;
  state = desk.state(from);
  CHECK(state["points"].front()[0].get<double>() == 0);
  CHECK(state["points"].back()[0].get<double>() == doctest::Approx(2999.9).epsilon(1e-3));
  CHECK(state["points"].size() > 2000);
  CHECK(state["points"].size() < 8000);
  CHECK(state["coverage"]["highest_rpm"].get<double>() == doctest::Approx(299'990).epsilon(1e-3));
  CHECK(desk.state(from)["points"].empty());  // only what is new

  RecordReport report;
  report.run.kind = RunKind::kBrake;
  desk.end(report);
  show_for(desk, 30, 3100);  // the rig is listened to again
  from = 0;
  state = desk.state(from);
  CHECK(state["phase"] == "ended");
  CHECK(state["points"].back()[0].get<double>() == doctest::Approx(2999.9).epsilon(1e-3));
  CHECK(state["reading"]["elapsed_s"].get<double>() > 3100);  // the figures are live
  desk.rest("unplugged");
  CHECK(desk.state(from)["reading"]["motor_rpm"].is_null());  // and stale ones do not stay
}

TEST_CASE("A motor that hardly turns under torque is held, one that is free or turning is not") {
  StandstillWatch watch;
  LiveReading reading;
  const auto take = [&](double at_s, double rpm, double torque_nm, bool at_rest) {
    reading.elapsed_s = at_s;
    reading.motor_rpm = rpm;
    reading.torque_nm = torque_nm;
    reading.motor_at_rest = at_rest;
    watch.take(reading);
    return watch.held_s();
  };
  CHECK(take(0, 0, 0.001, true) == 0);    // at rest before the run, the arm free
  CHECK(take(5, 3000, 0.2, false) == 0);  // braked
  CHECK(take(10, 20, 0.3, false) == 0);   // from here on it creeps
  CHECK(take(12, 0, 0.3, true) == 2);     // and stands
  CHECK(take(13, 30, -0.3, false) == 3);  // whichever way the arm presses
  CHECK(watch.since_s() == 10);
  CHECK(take(14, 2000, 0.25, false) == 0);  // let go in time
  CHECK(take(20, 0, 0.02, true) == 0);      // switched off; a little is left on the arm
  CHECK_FALSE(watch.since_s());
}

TEST_CASE("Names are quoted for the shell exactly where it needs it") {
  CHECK(shell_word("Heron-70") == "Heron-70");
  CHECK(shell_word("Grey 90 W") == "'Grey 90 W'");
  CHECK(shell_word("a'b") == "'a'\\''b'");
  CHECK(shell_word("$(rm x)") == "'$(rm x)'");
  CHECK(shell_word("") == "''");
  CHECK(shell_word("-rf") == "'-rf'");
}

TEST_CASE(
    "A shaft near its limit and one above it give an alarm that lasts; without a limit none") {
  Part motor;
  motor.kind = PartKind::kMotor;
  motor.name = "grey";
  SpeedWatch unlimited(motor);
  unlimited.take(1e6, 0);
  CHECK_FALSE(unlimited.alarm());

  motor.fields["max-rpm"] = 9000.0;
  SpeedWatch watch(motor);
  const auto word = [&](double rpm, double at_s) {
    watch.take(rpm, at_s);
    return !watch.alarm() ? "none" : watch.alarm()->over ? "over" : "near";
  };
  CHECK(word(8099, 0) == "none");  // 90 % are 8,100
  CHECK(word(8101, 1) == "near");
  CHECK(word(7000, 2) == "near");  // so that it can be read
  CHECK(word(7000, 3) == "none");
  CHECK_FALSE(watch.over_from_s());
  CHECK(word(9001, 4) == "over");
  CHECK(word(8500, 5) == "over");
  CHECK(word(8500, 6) == "near");
  CHECK(word(9900, 7) == "over");
  CHECK(word(0, 20) == "none");
  CHECK(watch.over_from_s() == 4);
  CHECK(watch.over_until_s() == 7);
  CHECK(watch.sentence() ==
        "motor 'grey' turned at up to 9,900 rpm, 110 % of its limit of 9,000 rpm");
}

TEST_CASE("A page's order names a run by a whole number that a book can have, or is refused") {
  LiveDesk desk(true);
  const auto order = [](double number) {
    return Json{{"kind", "top-speed"}, {"cautions_read", true}, {"slip_check", number}};
  };
  for (const double number : {1e300, -1.0, 0.0, 1.5, 2e9})
    CHECK_THROWS_WITH_AS(desk.place_order(order(number)),
                         "'slip_check' must be the number of a run.", Error);
  CHECK_FALSE(desk.recording());
  desk.place_order(order(12));
  CHECK(desk.recording());
}

TEST_CASE("A page that is opened later never shows old figures as those of now") {
  SimulatedClock clock;
  LiveDesk desk(true, clock);
  const auto shown = [&] {
    std::uint64_t from = 0;
    return desk.state(from)["reading"]["motor_rpm"];
  };
  desk.rest("");
  show_for(desk, 10);
  CHECK_FALSE(shown().is_null());
  clock.advance(std::chrono::seconds(3));  // nothing new since: the line hangs
  CHECK(shown().is_null());
  show_for(desk, 0.2, 20);
  CHECK_FALSE(shown().is_null());
  RecordingView same;  // the loop goes on, the rig says nothing
  same.reading.elapsed_s = 20.1;
  same.reading.motor_rpm = 2010;
  clock.advance(std::chrono::seconds(3));
  desk.show(same);
  CHECK(shown().is_null());

  desk.begin(RecordOrder());
  show_for(desk, 10);
  CHECK_FALSE(shown().is_null());
  desk.end(RecordReport());
  CHECK(shown().is_null());  // the run is over; what the rig reads next is live again
  show_for(desk, 1, 30);
  CHECK_FALSE(shown().is_null());
  desk.rest("", "a capture, which is read once");
  CHECK(shown().is_null());
  desk.begin(RecordOrder());
  show_for(desk, 1);
  desk.fail("the line was cut");
  CHECK(shown().is_null());
}

TEST_CASE("What the page says holds no command to type") {
  CHECK(without_commands("this rig has no load cell; see 'loadline-logger probe'.", "") ==
        "this rig has no load cell.");
  CHECK(without_commands("It stopped. Read the rest in with 'record … --port'. All else is kept.",
                         "") == "It stopped. All else is kept.");
  CHECK(without_commands("Give --arm-mm.", "instead") == "instead");
  const std::string plain = "The rig was unplugged - and came back; 3 -- 4 s were lost.";
  CHECK(without_commands(plain, "") == plain);
}

TEST_CASE("What a kind of run cannot do without is asked of page and terminal by one table") {
  testing::Scratch folder;
  Book book = bench_book(folder);
  add(book, PartKind::kMachine, "anvil");
  add(book, PartKind::kBelt, "ring");
  const Part rig = book.get(PartKind::kRig, "bench");
  for (const RunKind kind : kRunKinds) {
    CAPTURE(run_kind_name(kind));
    CHECK_THROWS_AS(run_of(book, kind, Mounting(), rig), const Error&);
    Mounting mounting;
    for (const Need& need : needs_of(kind)) {
      if (need.any_of.front() == "motor") mounting.motor = "grey";
      if (need.any_of.front() == "machine") mounting.machine = "anvil";
    }
    CHECK_NOTHROW(run_of(book, kind, mounting, rig));
  }
}

namespace {

/// A run of `seconds` at 80 samples a second: the motor's speed and the arm's counts over time.
template <typename Speed, typename Counts>
Run played_run(Book& book, RunKind kind, double seconds, Speed rpm, Counts counts) {
  Run run;
  run.kind = kind;
  run.source = RunSource::kRig;
  run.rig = book.get(PartKind::kRig, "bench").id;
  run.motor = book.get(PartKind::kMotor, "grey").id;
  run.tick_hz = 2e6;
  run.motor_pulses_per_turn = 4;
  run.id = book.begin_run(run);
  std::vector<Sample> samples;
  double turns = 0;
  for (int i = 1; i <= seconds * 80; ++i) {
    const double before = std::floor(turns * 4), t = i / 80.0;
    const double per_s = rpm(t) / 60;
    turns += per_s / 80;
    Sample sample;
    sample.tick = i * 25'000;
    sample.motor_edges = static_cast<std::int64_t>(std::floor(turns * 4));
    if (!samples.empty()) sample.motor_edge_tick = samples.back().motor_edge_tick;
    if (std::floor(turns * 4) > before)  // its own time, within the interval
      sample.motor_edge_tick =
          static_cast<std::int64_t>(2e6 * (t - (turns - std::floor(turns * 4) / 4) / per_s));
    sample.torque_counts = static_cast<std::int32_t>(1000 + counts(t));
    samples.push_back(sample);
  }
  book.append(run.id, samples);
  Zero zero;
  zero.rig = run.rig;
  zero.run = run.id;
  zero.when = ZeroMoment::kBefore;
  zero.mean_counts = 1000;
  zero.conversions = 80;
  book.add_zero(zero);
  book.end_run(run.id, RunState::kComplete);
  return book.run(run.id);
}

bool found(const RunQuality& quality, const std::string& code) {
  return std::any_of(quality.findings.begin(), quality.findings.end(),
                     [&](const RunFinding& finding) { return finding.code == code; });
}

}  // namespace

TEST_CASE("A brake run is good when edges came, torque moved and it went low, both ways") {
  testing::Scratch folder;
  Book book = bench_book(folder);
  // Free for 2 s at 10,000 rpm, down to `low` within 8 s and back; 1e-5 N·m per count.
  const auto speed = [](double low) {
    return [low](double t) {
      const double braked = std::clamp(1 - std::abs(t - 12) / 8, 0.0, 1.0);
      return t < 2 ? 0.0 : 10'000 - (10'000 - low) * braked;
    };
  };
  const auto torque = [](double most) {
    return [most](double t) { return most * std::clamp(1 - std::abs(t - 12) / 8, 0.0, 1.0); };
  };
  const auto judged = [&](double low, double most, double seconds) {
    return judge_run(book, played_run(book, RunKind::kBrake, seconds, speed(low), torque(most)), 0);
  };
  const RunQuality good = judged(600, 20'000, 22);
  CHECK(good.verdict == "good");
  const auto figure = [&](const std::string& code, const std::string& name) {
    for (const RunFinding& finding : good.findings)
      for (const auto& [key, value] : finding.figures)
        if (finding.code == code && key == name) return value;
    return 0.0;
  };
  // 20,000 counts of 1e-4 N on 0.1 m are 0.2 N·m; pieces of 0.2 s end beside the very peak.
  CHECK(figure("torque moved", "nm") == doctest::Approx(0.2).epsilon(0.06));
  CHECK(figure("lowest", "rpm") == doctest::Approx(660).epsilon(0.1));
  CHECK(figure("lowest", "of_rpm") == doctest::Approx(10'000).epsilon(0.001));
  CHECK(sentence(good).ends_with("rpm: good"));
  CHECK(found(judged(600, 20, 22), "torque still"));
  CHECK(judged(600, 20, 22).verdict == "repeat");
  CHECK(judged(7'000, 20'000, 22).verdict == "weak");
  CHECK(found(judged(7'000, 20'000, 22), "lowest high"));
  CHECK(judged(9'500, 20'000, 22).verdict == "repeat");
  CHECK(found(judged(600, 20'000, 12), "one way"));
  const RunQuality unseen =
      judge_run(book,
                played_run(
                    book, RunKind::kBrake, 22, [](double) { return 0.0; }, torque(20'000)),
                0);
  CHECK(unseen.verdict == "repeat");
  CHECK(found(unseen, "no motor edges"));
  const Run lossy = played_run(book, RunKind::kBrake, 22, speed(600), torque(20'000));
  CHECK(judge_run(book, lossy, 100).verdict == "weak");
}

TEST_CASE("Coast-downs end at rest, steady runs hold their speed") {
  testing::Scratch folder;
  Book book = bench_book(folder);
  const auto none = [](double) { return 0.0; };
  const auto judged = [&](RunKind kind, double seconds, auto rpm) {
    return judge_run(book, played_run(book, kind, seconds, rpm, none), 0);
  };
  const auto falling = [](double t) { return std::max(0.0, 1000 - 100 * std::max(0.0, t - 3)); };
  CHECK(judged(RunKind::kCoastDown, 14, falling).verdict == "good");
  CHECK(judged(RunKind::kCoastDown, 10, falling).verdict == "weak");   // ends at 300
  CHECK(judged(RunKind::kCoastDown, 6, falling).verdict == "repeat");  // ends at 700
  CHECK(judged(RunKind::kNoLoad, 10, [](double) { return 9000.0; }).verdict == "good");
  CHECK(judged(RunKind::kNoLoad, 2, [](double) { return 9000.0; }).verdict == "weak");
  // Near the end it still gains a per cent in 1.5 s.
  CHECK(judged(RunKind::kNoLoad, 10, [](double t) { return 9000 + 60 * t; }).verdict == "weak");
}

TEST_CASE("The evening names what is missing, in order, and what was set aside counts no more") {
  testing::Scratch folder;
  Book book = bench_book(folder);
  const Part motor = book.get(PartKind::kMotor, "grey");
  const auto next = [&](Question question, const Part* subject) {
    const auto steps = Evening(book).steps_to(question, subject);
    const EveningStep* step = next_step(steps);
    return step ? step->what : std::string("answer");
  };
  CHECK(next(Question::kMotor, nullptr) == "motor");
  CHECK(next(Question::kChoice, nullptr) == "machine");
  CHECK(next(Question::kMotor, &motor) == "brake");
  Run brake = played_run(
      book, RunKind::kBrake, 5, [](double) { return 9000.0; }, [](double) { return 100.0; });
  CHECK(next(Question::kMotor, &motor) == "motor-curve");
  StoredCurve curve;
  curve.subject = motor.id;
  curve.model = "permanent-magnet";
  curve.parameter_names = {"a", "b"};
  curve.parameters = {1, 2};
  curve.covariance = Covariance(2);
  curve.speed_high = 900;
  curve.runs = {brake.id};
  curve.made_utc = "2999-01-01T00:00:00Z";
  book.add_curve(curve);
  CHECK(next(Question::kMotor, &motor) == "answer");
  brake.aside = "the arm had slipped";
  book.update_run(brake);
  CHECK(next(Question::kMotor, &motor) == "brake");

  add(book, PartKind::kMachine, "anvil");
  const Part anvil = book.get(PartKind::kMachine, "anvil");
  const auto coast = [&](double added) {
    Run run;
    run.kind = RunKind::kCoastDown;
    run.machine = anvil.id;
    if (added > 0) run.added_inertia_kgm2 = added;
    book.end_run(book.begin_run(run), RunState::kComplete);
  };
  CHECK(next(Question::kMachine, &anvil) == "coast-down");
  coast(0.002);
  CHECK(next(Question::kMachine, &anvil) == "coast-down");
  coast(0);
  CHECK(next(Question::kMachine, &anvil) == "drag-curve");
  CHECK(next(Question::kBelts, &anvil) == "belts");
  add(book, PartKind::kBelt, "ring");
  add(book, PartKind::kBelt, "link");
  CHECK(next(Question::kBelts, &anvil) == "top-speed");
}

TEST_CASE("Figures of a line that is opened anew begin anew, however far its clock had come") {
  LiveMeter meter;
  LiveScale scale;
  scale.tick_hz = 1000;
  const auto play = [&](double from_s) {
    meter.begin(scale);
    for (int i = 0; i < 200; ++i) {
      Haul haul;
      Sample sample;
      sample.tick = static_cast<std::int64_t>(1000 * from_s) + i * 10;
      sample.torque_counts = 7;
      haul.samples.push_back(sample);
      meter.take(haul);
    }
    return meter.now().elapsed_s;
  };
  CHECK(play(5000) == doctest::Approx(5002).epsilon(1e-4));
  CHECK(play(0) == doctest::Approx(2).epsilon(0.05));
}
