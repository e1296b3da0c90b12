// What is asked about when a run is imported. Sound runs of ordinary sizes pass; the slips are
// those of unit and kind that people make, each applied to a sound run.
#include "db/care/plausible.h"

#include <doctest/doctest.h>

#include <cmath>
#include <functional>

#include "tests/support/scratch.h"

namespace loadline {
namespace {

using Rows = std::vector<ImportedReading>;

struct Bench : testing::Scratch {
  Book book = Book::open(path("a.book"), Book::Mode::kCreate);
  Run run;

  explicit Bench(RunKind kind) {
    Part motor;
    motor.kind = PartKind::kMotor;
    motor.name = "Heron";
    motor.fields = {{"rated-w", 70.0}, {"rated-v", 230.0}, {"max-rpm", 9000.0}};
    run.kind = kind;
    run.motor = book.add(motor);
  }
  std::string said(const Rows& rows) const {
    RunSurvey survey;
    for (std::size_t at = 0; at < rows.size(); at += 100)
      survey.take(std::span(rows).subspan(at, std::min<std::size_t>(100, rows.size() - at)));
    std::string all;
    for (const std::string& clause : oddities(book, run, survey)) all += clause + "\n";
    return all;
  }
};

bool has(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

// A straight-line motor, 10,000 rpm and 0.3 N·m, braked down and let go again within 40 s.
Rows brake_run() {
  Rows rows(2000);
  for (std::size_t i = 0; i < rows.size(); ++i) {
    const double way = std::fabs(2.0 * static_cast<double>(i) / 2000 - 1);
    rows[i].time_s = 0.02 * static_cast<double>(i);
    rows[i].motor_rpm = 1000 + 9000 * way;
    rows[i].torque_nm = 0.3 * (1 - rows[i].motor_rpm / 10000);
  }
  return rows;
}

Rows coast_down() {
  Rows rows(500);
  for (std::size_t i = 0; i < rows.size(); ++i) {
    rows[i].time_s = 0.02 * static_cast<double>(i);
    rows[i].handwheel_rpm = 1200 * std::exp(-rows[i].time_s / 3);
  }
  return rows;
}

Rows changed(Rows rows, const std::function<void(ImportedReading&)>& change) {
  for (ImportedReading& row : rows) change(row);
  return rows;
}

TEST_CASE("a brake run is silent, and each slip of its units is named") {
  const Bench bench(RunKind::kBrake);
  using R = ImportedReading;
  CHECK(bench.said(brake_run()) == "");
  const auto slip = [&](const std::function<void(R&)>& change) {
    return bench.said(changed(brake_run(), change));
  };
  CHECK(has(slip([](R& r) { r.torque_nm *= 1000; }), "check the unit of the torque"));
  CHECK(has(slip([](R& r) { r.torque_nm /= 1000; }),
            "only 0.0785 W"));  // 78.5 W at the peak, Ts·ωn/4
  CHECK(has(slip([](R& r) { r.time_s *= 1000; }), "ms instead of s"));
  CHECK(has(slip([](R& r) { r.time_s /= 1000; }), "check the unit of the times"));
  CHECK(has(slip([](R& r) { r.motor_rpm = -r.motor_rpm; }), "backwards"));
  CHECK(has(slip([](R& r) { r.torque_nm = -r.torque_nm; }), "turn its sign"));
  CHECK(has(slip([](R& r) { r.torque_nm = 0; }), "no row has any torque"));
  CHECK(has(slip([](R& r) { r.torque_nm = R::kNone; }), "needs a column torque_nm"));
  CHECK(has(slip([](R& r) { r.torque_nm = 0.1356; }), "in every row"));
  CHECK(has(slip([](R& r) { r.motor_rpm = 4000; }), "in every row"));
  CHECK(has(slip([](R& r) { r.supply_v = 230e3; }), "the supply is"));
  CHECK(has(slip([](R& r) { r.temperature_c = 310; }), "temperature"));
  CHECK(has(slip([](R& r) { r.handwheel_rpm = r.motor_rpm / 5 * 9.55 * 2; }),
            "units of both speeds"));
  // Plates are off: a motor of a tenth or of ten times the plate is no slip.
  CHECK(slip([](R& r) { r.torque_nm *= 10; }) == "");
  CHECK(slip([](R& r) { r.torque_nm /= 10; }) == "");
}

TEST_CASE("without a plate a brake run's power is judged by what a bench can be") {
  Bench bench(RunKind::kBrake);
  Part motor;
  motor.kind = PartKind::kMotor;
  motor.name = "unknown";
  bench.run.motor = bench.book.add(motor);
  const auto times = [&](double factor) {
    return bench.said(changed(brake_run(), [&](ImportedReading& row) { row.torque_nm *= factor; }));
  };
  // 78.5 W at the peak; a household's circuit gives 3.7 kW (16 A at 230 V).
  CHECK(times(1) == "");
  CHECK(times(40) == "");
  CHECK(has(times(100), "check the unit of the torque"));
  // A motor of some watts given in mN·m: its power might be a lathe's, its torque is no bench's.
  const auto weak = [&](double torques, double speeds) {
    return bench.said(changed(brake_run(), [&](ImportedReading& row) {
      row.torque_nm *= torques;
      row.motor_rpm *= speeds;
    }));
  };
  CHECK(has(weak(200, 0.2), "N·m is in it; check its unit"));
  CHECK(weak(40, 0.2) == "");
  CHECK(times(0.02) == "");
  CHECK(has(times(0.005), "only 0.393 W"));
  CHECK(has(times(0.01), "only 0.785 W"));  // kN·m of a motor of 785 W
}

TEST_CASE("a coast-down is silent; one that rises, or goes on as before, is named") {
  Bench bench(RunKind::kCoastDown);
  using R = ImportedReading;
  CHECK(bench.said(coast_down()) == "");
  CHECK(
      has(bench.said(changed(coast_down(), [](R& r) { r.handwheel_rpm = 1300 - r.handwheel_rpm; })),
          "no coast-down"));
  CHECK(has(bench.said(brake_run()), "no coast-down"));
  // A dozen rows, a thousandfold: rows of a notebook, were they not of a coast-down.
  Rows few;
  for (std::size_t i = 0; i < 500; i += 40) few.push_back(coast_down()[i]);
  CHECK(bench.said(few) == "");
  CHECK(has(bench.said(changed(few, [](R& r) { r.time_s *= 1000; })), "ms instead of s"));
  // Driven up first, and stopped before it stands: still one.
  Rows with_start = coast_down();
  for (std::size_t i = 0; i < 50; ++i) with_start[i].handwheel_rpm = 24.0 * static_cast<double>(i);
  with_start.resize(150);
  CHECK(bench.said(with_start) == "");
  // Two of them in one table; times in minutes.
  Rows twice = coast_down();
  for (ImportedReading row : coast_down()) {
    row.time_s += 10;
    twice.push_back(row);
  }
  CHECK(has(bench.said(twice), "falls and rises again"));
  CHECK(has(bench.said(changed(coast_down(), [](R& r) { r.time_s /= 60; })), "very short"));
  bench.run.inertia_kgm2 = 3.5;
  CHECK(has(bench.said(coast_down()), "--inertia-kgm2 3.5"));
}

TEST_CASE("a spin-up with a flywheel that no shaft carries, or none at all, is named") {
  Bench bench(RunKind::kSpinUp);
  Rows rows(500);
  for (std::size_t i = 0; i < rows.size(); ++i) {
    rows[i].time_s = 0.02 * static_cast<double>(i);
    rows[i].motor_rpm = 13000 * (1 - std::exp(-rows[i].time_s / 3));
  }
  bench.run.inertia_kgm2 = 3.5e-4;
  CHECK(bench.said(rows) == "");
  bench.run.inertia_kgm2 = 0.08;  // ½·0.08·1361² = 74 kJ in 10 s: 7.4 kW of a motor of 70 W
  CHECK(has(bench.said(rows), "to bring 0.08 kg·m² to that speed"));
  bench.run.inertia_kgm2 = 3.5e-7;
  CHECK(has(bench.said(rows), "takes only"));
}

TEST_CASE("a sweep is no run without load, a settled speed is one") {
  const Bench bench(RunKind::kNoLoad);
  CHECK(has(bench.said(brake_run()), "no run without load"));
  Rows rows = brake_run();
  for (std::size_t i = 0; i < rows.size(); ++i)
    rows[i].motor_rpm = 10000 * (1 - std::exp(-rows[i].time_s)), rows[i].torque_nm = 0.002;
  CHECK(bench.said(rows) == "");
}

TEST_CASE("a top speed that only falls, or has a digit too many, is named") {
  Bench bench(RunKind::kTopSpeed);
  CHECK(has(bench.said(coast_down()), "so it is no top speed"));
  Rows typed(3);
  for (std::size_t i = 0; i < typed.size(); ++i)
    typed[i].handwheel_rpm = 1200 + static_cast<double>(i);
  bench.run.steady = true;
  CHECK(bench.said(typed) == "");
  typed[1].handwheel_rpm *= 10;
  CHECK(has(bench.said(typed), "a digit too many"));
}

TEST_CASE("the picture of a long run is even and small") {
  RunSurvey survey;
  Rows rows(777);
  double time = 0;
  for (int block = 0; block < 100; ++block) {
    for (ImportedReading& row : rows) row.time_s = time++;
    survey.take(rows);
  }
  CHECK(survey.count() == 77700);
  CHECK(survey.interval_s() == 1);
  REQUIRE(survey.rows().size() > 2000);
  CHECK(survey.rows().size() <= 4096);
  const double step = survey.rows()[1].time_s - survey.rows()[0].time_s;
  for (std::size_t i = 0; i < survey.rows().size(); ++i)
    CHECK(survey.rows()[i].time_s == step * static_cast<double>(i));
}

}  // namespace
}  // namespace loadline
