// Noise and speed: against closed forms and certified values.
#include <doctest/doctest.h>
#include <sqlite3.h>

#include <cmath>
#include <cstring>
#include <random>

#include "db/basis/units.h"
#include "fit/readings/noise/noise.h"
#include "fit/readings/readings.h"
#include "fit/readings/repeated_times.h"
#include "fit/readings/speeds/recovered_edges.h"
#include "fit/readings/speeds/speed.h"
#include "tests/support/bench_rows.h"
#include "tests/support/scratch_book.h"

using namespace loadline;

TEST_CASE("the lag-one autocorrelation of NIST's NumAcc4 is -0.999") {
  // NIST StRD, univariate set NumAcc4: 10000000.2, then 500 pairs 10000000.1, 10000000.3; certified
  // lag-1 autocorrelation -0.999 (exact).
  std::vector<double> values{10000000.2};
  for (int i = 0; i < 500; ++i) {
    values.push_back(10000000.1);
    values.push_back(10000000.3);
  }
  CHECK(correlation_factor(values, 0).lag_one == doctest::Approx(-0.999).epsilon(1e-7));
}

TEST_CASE("the correlation factor of first-order noise is (1+rho)/(1-rho)") {
  // The sum 1 + 2(rho + rho² + …) of the geometric autocorrelation; any text on time series.
  for (const double rho : {0.0, 0.5, 0.8}) {
    CAPTURE(rho);
    double sum = 0;
    for (unsigned seed = 1; seed <= 20; ++seed) {
      tests::RememberingNoise noise(1, rho, seed);
      std::vector<double> series;
      for (int i = 0; i < 4000; ++i) series.push_back(noise());
      sum += correlation_factor(series, 0).factor;
    }
    // 20 series of 4000: the mean of the estimates is known to about 4 %.
    CHECK(sum / 20 == doctest::Approx((1 + rho) / (1 - rho)).epsilon(0.12));
  }
}

TEST_CASE("rows that bear one time become one row with the mean of what each channel has") {
  const double none = std::nan("");
  ReadingColumns rows;
  rows.time_s = {0, 0, 1, 2, 2, 2};
  rows.motor_rpm = {10, 20, 30, 1, none, 3};
  rows.torque_nm = {1, none, none, 4, 5, 6};
  rows.supply_v = {7, 7, 8, none, none, none};
  CHECK(merge_repeated_times(rows) == 3);
  CHECK(rows.time_s == std::vector<double>{0, 1, 2});
  CHECK(rows.motor_rpm == std::vector<double>{15, 30, 2});
  CHECK(rows.torque_nm[0] == 1);
  CHECK(std::isnan(rows.torque_nm[1]));
  CHECK(rows.torque_nm[2] == 5);
  CHECK(std::isnan(rows.supply_v[2]));
  CHECK(rows.handwheel_rpm.empty());
  CHECK(merge_repeated_times(rows) == 0);
  ReadingColumns one;
  one.time_s = {5, 5, 5};
  one.motor_rpm = {1, 2, 3};
  CHECK(merge_repeated_times(one) == 2);
  CHECK(one.motor_rpm == std::vector<double>{2});
}

TEST_CASE("a value that was lost is not averaged with those of the same time") {
  ReadingColumns rows;
  rows.time_s = {1, 1, 1, 2, 2, 2};
  rows.torque_nm = {0.21, 0, 0.23, 0.001, 0, -0.001};  // about nothing a nought is a value
  CHECK(merge_repeated_times(rows) == 4);
  CHECK(rows.torque_nm[0] == doctest::Approx(0.22));
  CHECK(rows.torque_nm[1] == doctest::Approx(0).epsilon(1e-12));
}

TEST_CASE("a search for the width of a smooth speed ends on any times") {
  // Most windows of no length, and all of them.
  for (const int lengths : {0, 3}) {
    SpeedTrace trace;
    for (int i = 0; i < 40; ++i) {
      const double start = i < 40 - lengths ? 1 : i;
      trace.start_s.push_back(start);
      trace.end_s.push_back(i < 40 - lengths ? 1 : i + 1);
      trace.speed.push_back(100 + i % 3);
    }
    const SmoothSpeed speed(trace);
    CHECK_FALSE(speed.at(1.0).valid);
  }
}

TEST_CASE("the runs test sees a pattern and passes noise") {
  std::vector<double> pattern, noise;
  tests::RememberingNoise white(1, 0, 7);
  for (int i = 0; i < 400; ++i) {
    pattern.push_back(std::sin(i * 0.05));
    noise.push_back(white());
  }
  CHECK(runs_test_z(pattern) < -10);
  CHECK(std::fabs(runs_test_z(noise)) < 3.5);
}

TEST_CASE("a robust standard deviation ignores a tenth of outliers") {
  tests::RememberingNoise white(2, 0, 3);
  std::vector<double> values;
  for (int i = 0; i < 2000; ++i) values.push_back(i % 10 ? white() : 500);
  CHECK(robust_sd(values) == doctest::Approx(2).epsilon(0.2));
}

TEST_CASE("a quadratic speed comes back exactly from its window means") {
  SpeedTrace trace;
  const auto angle = [](double t) { return 300 * t - 12 * t * t + 2 * t * t * t; };
  for (int i = 0; i < 200; ++i) {
    trace.start_s.push_back(i * 0.02);
    trace.end_s.push_back((i + 1) * 0.02);
    trace.speed.push_back((angle((i + 1) * 0.02) - angle(i * 0.02)) / 0.02);
  }
  trace.interval_s = 0.02;
  const SmoothSpeed smooth(trace);
  for (const double t : {1.0, 2.03, 3.0}) {
    CHECK(smooth.at(t).speed == doctest::Approx(300 - 24 * t + 6 * t * t).epsilon(1e-9));
    CHECK(smooth.at(t).acceleration == doctest::Approx(-24 + 12 * t).epsilon(1e-6));
  }
  CHECK_FALSE(smooth.at(-1).valid);
}

namespace {

struct Rows {
  std::vector<double> time, rpm;
};

Rows hand_wheel_rows(const std::vector<ImportedReading>& readings) {
  Rows rows;
  for (const ImportedReading& row : readings) {
    rows.time.push_back(row.time_s);
    rows.rpm.push_back(row.handwheel_rpm);
  }
  return rows;
}

}  // namespace

TEST_CASE("edges behind repeated rows are recovered with their number per turn") {
  // Slowing evenly from 100 rad/s at 24 rad/s²: one pulse a turn at 50 rows a second; eight; eight
  // that a display at every third of 150 rows tells of.
  const auto angle = [](double t) { return 100 * t - 12 * t * t; };
  struct Instrument {
    int pulses, renewed;
  };
  for (const Instrument of : {Instrument{1, 1}, {8, 1}, {8, 3}}) {
    const int pulses = of.pulses, renewed = of.renewed;
    CAPTURE(pulses);
    CAPTURE(renewed);
    const auto [time, rpm] =
        hand_wheel_rows(tests::tachometer_rows(angle, 4.1, 50 * renewed, pulses, true, renewed));
    const EdgeTrace edges = edges_from_rows(time, rpm);
    REQUIRE_FALSE(edges.empty());
    CHECK(edges.pulses_per_turn == pulses);
    // Between any two recovered edges the shaft turned what the formula says, whatever the offset
    // of the first one was (a shift of all times by less than a row).
    const double pitch = 2 * std::numbers::pi / pulses;
    const std::size_t a = 2, b = edges.time_s.size() / 2;
    double best = 1e9;
    for (double shift = -0.02; shift <= 0.02; shift += 1e-4) {
      const double turned = angle(edges.time_s[b] + shift) - angle(edges.time_s[a] + shift);
      best = std::min(best, std::fabs(turned - pitch * double(edges.count[b] - edges.count[a])));
    }
    CHECK(best < 0.02 * pitch);
  }
}

TEST_CASE("a steep change of speed tells the pulses where no row is slow") {
  // Eight pulses a turn, 250 to 60 rad/s within a second: a pulse never outlasts a row of 20 ms.
  const auto angle = [](double t) { return 250 * t - 95 * t * t; };
  const auto [time, rpm] = hand_wheel_rows(tests::tachometer_rows(angle, 1.0, 50, 8, true));
  const EdgeTrace edges = edges_from_rows(time, rpm);
  REQUIRE_FALSE(edges.empty());
  CHECK(edges.pulses_per_turn == 8);
  const SpeedTrace trace = speed_from_edges(edges, 0);
  for (std::size_t i = 0; i < trace.speed.size(); ++i) {
    // An evenly falling speed has its mean in the middle of every window.
    CAPTURE(i);
    CHECK(trace.speed[i] == doctest::Approx(250 - 190 * trace.middle_s(i)).epsilon(2e-3));
  }
}

TEST_CASE("the number of pulses that another run showed is taken unless the rows contradict it") {
  const auto angle = [](double t) { return 250 * t - 30 * t * t; };
  const auto [time, rpm] = hand_wheel_rows(tests::tachometer_rows(angle, 0.7, 50, 8, true));
  REQUIRE(edges_from_rows(time, rpm).empty());  // too little happens
  CHECK(edges_from_rows(time, rpm, 8).pulses_per_turn == 8);
  const auto slow = [](double t) { return 40 * t - 4.5 * t * t; };
  const auto [slow_time, slow_rpm] = hand_wheel_rows(tests::tachometer_rows(slow, 4, 50, 2, true));
  CHECK(edges_from_rows(slow_time, slow_rpm, 3).empty());
}

TEST_CASE("a value that stands longer than a tachometer takes was true, a shorter one is old") {
  // 1,200 rpm stands for a second, then 100 rpm less with every second row, of 100 a second.
  Rows rows;
  for (int i = 0; i < 118; ++i) {
    rows.time.push_back(i * 0.01);
    rows.rpm.push_back(i < 100 ? 1200 : 1200 - 100 * ((i - 100) / 2 + 1) - (i - 100) / 2);
  }
  const SpeedTrace trace = speed_from_rows(rows.time, rows.rpm);
  double turned = 0;
  for (std::size_t i = 0; i < trace.speed.size(); ++i) {
    CHECK(trace.window_s(i) < 0.05);
    if (trace.end_s[i] < 0.995)
      CHECK(trace.speed[i] == doctest::Approx(1200 / tests::kRpm));
    else
      turned += trace.speed[i] * trace.window_s(i);
  }
  // Nine new values, each the mean of the two rows since the last; of the first, one.
  double expected = 0;
  for (int k = 0; k < 9; ++k) expected += (1100 - 101.0 * k) / tests::kRpm * (k == 0 ? 0.01 : 0.02);
  CHECK(turned == doctest::Approx(expected).epsilon(1e-9));
}

TEST_CASE("true window means are not mistaken for edges") {
  std::vector<double> time, rpm;
  for (int i = 0; i < 300; ++i) {
    time.push_back(i * 0.02);
    rpm.push_back((100 - 0.3 * i) * tests::kRpm);
  }
  CHECK(edges_from_rows(time, rpm).empty());
}

TEST_CASE("means of a sweep that turns between two rows are not mistaken for edges") {
  // No noise at all, so that the values on either side of the lowest speed are the same and one of
  // them passes for an old one.
  std::vector<double> time, rpm;
  const auto turned = [](double t) {
    return 410 * t + 350 * 20 / (2 * kPi) * std::sin(2 * kPi * t / 20);
  };
  for (int i = 1; i < 1200; ++i) {
    time.push_back(i * 0.05);
    rpm.push_back(
        std::round((turned(time.back()) - turned(time.back() - 0.05)) / 0.05 * tests::kRpm * 1e4) *
        1e-4);
  }
  CHECK(edges_from_rows(time, rpm).empty());
}

TEST_CASE("a pause between rows is no hundred million windows") {
  // A value each millisecond, then one that stands over a pause of a day.
  Rows rows;
  for (int i = 0; i < 50; ++i) {
    rows.time.push_back(i * 1e-3 + (i > 30 ? 86400 : 0));
    rows.rpm.push_back(i == 31 ? 1030 : 1000 + i);
  }
  CHECK(speed_from_rows(rows.time, rows.rpm).speed.size() == 49);
}

namespace {

// 40,000 rows of a speed that swings `sweeps` times between 100 and 900 rad/s, torque beside it.
Readings long_run(double sweeps, const Thinning& thinning) {
  tests::ScratchBook scratch;
  Run run;
  run.kind = RunKind::kBrake;
  run.motor = tests::add_part(scratch.book(), PartKind::kMotor, "M").id;
  std::vector<ImportedReading> rows(40000);
  for (std::size_t i = 0; i < rows.size(); ++i) {
    rows[i].time_s = static_cast<double>(i) * 1e-3;
    const double speed = 500 + 400 * std::sin(2 * kPi * sweeps * rows[i].time_s / 40);
    rows[i].motor_rpm = speed * tests::kRpm;
    rows[i].torque_nm = 0.001 * speed;
  }
  return load_readings(scratch.book(), tests::store(scratch.book(), run, rows), thinning);
}

}  // namespace

TEST_CASE("a long run is averaged only as far as its speed stays what it is") {
  const Readings slow = long_run(1, {.few = 2000});
  CHECK(slow.torque.size() >= 1800);
  CHECK(slow.torque.size() <= 2000);
  const Readings quick = long_run(100, {.few = 2000});
  CHECK(quick.torque.size() > 7000);
  CHECK(quick.torque.size() <= 12000);
  CHECK(long_run(1, {.most = 0}).torque.size() == 40000);
  // A mean of torque stands at the mean of its time: the line through them is still the bench's.
  for (std::size_t i = 100; i + 100 < slow.torque.size(); i += 50) {
    const double speed = 500 + 400 * std::sin(2 * kPi * slow.time_s[i] / 40);
    CHECK(slow.torque[i] == doctest::Approx(0.001 * speed).epsilon(1e-4));
  }
}

TEST_CASE("only what needs a torque needs a calibrated load cell") {
  tests::ScratchBook scratch;
  Book& book = scratch.book();
  Part rig;
  rig.kind = PartKind::kRig;
  rig.name = "bench";
  rig.id = book.add(rig);
  const auto readings_of = [&](RunKind kind) {
    Run run;
    run.kind = kind;
    run.source = RunSource::kRig;
    run.rig = rig.id;
    run.tick_hz = 1e6;
    run.motor_pulses_per_turn = 1;
    std::vector<Sample> samples(200);
    for (std::size_t i = 0; i < samples.size(); ++i) {
      samples[i].tick = static_cast<std::int64_t>(i) * 10000;
      samples[i].torque_counts = 80000;
      samples[i].motor_edges = static_cast<std::int64_t>(i);
      samples[i].motor_edge_tick = samples[i].tick;
    }
    run.id = book.begin_run(run);
    book.append(run.id, samples);
    book.end_run(run.id, RunState::kComplete);
    return load_readings(book, run.id);
  };
  for (const RunKind kind : {RunKind::kCoastDown, RunKind::kSpinUp, RunKind::kSlipCheck}) {
    const Readings readings = readings_of(kind);
    CHECK(readings.torque.empty());
    // An edge every 10 ms, one a turn: 2π · 100 rad/s.
    CHECK(readings.motor.speed.at(50) == doctest::Approx(2 * kPi * 100).epsilon(1e-9));
  }
  CHECK_THROWS_WITH_AS(readings_of(RunKind::kBrake), doctest::Contains("has no calibration"),
                       Error);
}

TEST_CASE("a run is read once for as long as nothing in the book changes") {
  tests::ScratchBook scratch;
  Book& book = scratch.book();
  std::vector<ImportedReading> rows(400);
  for (std::size_t i = 0; i < rows.size(); ++i) {
    rows[i].time_s = 0.1 * static_cast<double>(i);
    rows[i].handwheel_rpm = 1000 - static_cast<double>(i);
  }
  Run run;
  run.kind = RunKind::kCoastDown;
  run.id = tests::store(book, run, rows);

  int statements = 0;  // that look at rows of imported runs
  const auto count = [](unsigned, void* counted, void*, void* sql) {
    if (std::strstr(static_cast<const char*>(sql), "FROM imported")) ++*static_cast<int*>(counted);
    return 0;
  };
  sqlite3_trace_v2(book.handle(), SQLITE_TRACE_STMT, count, &statements);
  const Readings first = load_readings(book, run.id);
  const int once = statements;
  CHECK(once > 0);
  CHECK(load_readings(book, run.id).handwheel.speed == first.handwheel.speed);
  CHECK(statements == once);
  CHECK(load_readings(book, run.id, {.most = 50}).handwheel.speed.size() <= 50);
  CHECK(statements > once);

  Run said = book.run(run.id);
  said.note = "ours";
  book.update_run(said);
  CHECK(load_readings(book, run.id).run.note == "ours");
  Book other = Book::open(book.path(), Book::Mode::kWrite);
  said.note = "another program's";
  other.update_run(said);
  CHECK(load_readings(book, run.id).run.note == "another program's");
}
