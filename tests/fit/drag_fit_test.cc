// Drag of machines: against closed-form coast-downs, with and without what tachometers do to them.
#include <doctest/doctest.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "fit/drags/drag_fit.h"
#include "fit/drags/ripple.h"
#include "fit/motors/motor_fit.h"
#include "tests/support/bench_rows.h"
#include "tests/support/scratch_book.h"

using namespace loadline;
using tests::kRpm;

namespace {

// J dω/dt = −c0 − c1 ω: ω(t) = (ω0 + c0/c1) exp(−c1 t/J) − c0/c1 (any text), its angle by
// integration.
struct LinearCoast {
  double c0, c1, inertia, start;
  double stop() const { return inertia / c1 * std::log(1 + c1 * start / c0); }
  double angle(double t) const {
    const double end = std::clamp(t, 0.0, stop()), tau = inertia / c1;
    return std::min(t, 0.0) * start + (start + c0 / c1) * tau * (1 - std::exp(-end / tau)) -
           c0 / c1 * end;
  }
};

std::int64_t store_coast(Book& book, const Part& machine, double added,
                         const std::vector<ImportedReading>& rows) {
  Run run;
  run.kind = RunKind::kCoastDown;
  run.machine = machine.id;
  if (added > 0) run.added_inertia_kgm2 = added;
  return tests::store(book, run, rows);
}

std::vector<ImportedReading> mean_rows(const LinearCoast& coast, double rows_hz, double noise,
                                       unsigned seed) {
  tests::RememberingNoise white(noise, 0, seed);
  std::vector<ImportedReading> rows;
  const double step = 1 / rows_hz;
  for (double t = step; t < coast.stop(); t += step) {
    ImportedReading row;
    row.time_s = t;
    row.handwheel_rpm = ((coast.angle(t) - coast.angle(t - step)) / step + white()) * kRpm;
    rows.push_back(row);
  }
  return rows;
}

bool holds(const Estimate& estimate, double truth) {
  return estimate.low && estimate.high && *estimate.low <= truth && truth <= *estimate.high;
}

}  // namespace

TEST_CASE("a pair of closed-form coast-downs gives drag and inertia") {
  tests::ScratchBook scratch;
  const Part machine = tests::add_part(scratch.book(), PartKind::kMachine, "K");
  const double added = 1.5e-3;
  store_coast(scratch.book(), machine, 0, mean_rows({0.05, 4e-4, 2e-3, 100}, 50, 0, 1));
  store_coast(scratch.book(), machine, added, mean_rows({0.05, 4e-4, 2e-3 + added, 100}, 50, 0, 2));
  const DragFit fit = fit_drag(scratch.book(), machine);
  CHECK(*fit.c0.value == doctest::Approx(0.05).epsilon(1e-3));
  CHECK(*fit.c1.value == doctest::Approx(4e-4).epsilon(5e-3));
  CHECK(std::fabs(*fit.c2.value) * 100 * 100 < 5e-4 * 0.05);
  CHECK(*fit.inertia.value == doctest::Approx(2e-3).epsilon(1e-3));
}

TEST_CASE("intervals of a noisy pair hold the truth") {
  int c0 = 0, inertia = 0;
  const double added = 1.5e-3;
  for (unsigned seed = 1; seed <= 40; ++seed) {
    tests::ScratchBook scratch;
    const Part machine = tests::add_part(scratch.book(), PartKind::kMachine, "K");
    store_coast(scratch.book(), machine, 0, mean_rows({0.05, 4e-4, 2e-3, 100}, 50, 0.1, 2 * seed));
    store_coast(scratch.book(), machine, added,
                mean_rows({0.05, 4e-4, 2e-3 + added, 100}, 50, 0.1, 2 * seed + 1));
    const DragFit fit = fit_drag(scratch.book(), machine);
    c0 += holds(fit.c0, 0.05);
    inertia += holds(fit.inertia, 2e-3);
  }
  // Binomial, as in the motor's test: fewer than 33 of 40 has a chance of 2 in 10,000.
  CHECK(c0 >= 33);
  CHECK(inertia >= 33);
}

TEST_CASE("one pulse a turn, repeated between edges, still gives the drag within half a per cent") {
  tests::ScratchBook scratch;
  const Part machine = tests::add_part(scratch.book(), PartKind::kMachine, "K");
  const double added = 4e-3;
  for (const double extra : {0.0, added}) {
    const LinearCoast coast{0.06, 3e-4, 6e-3 + extra, 105};
    store_coast(scratch.book(), machine, extra,
                tests::tachometer_rows([&](double t) { return coast.angle(t - 0.5) + 60; },
                                       coast.stop() + 0.7, 50, 1, true));
  }
  const DragFit fit = fit_drag(scratch.book(), machine);
  CHECK(*fit.c0.value == doctest::Approx(0.06).epsilon(0.005));
  CHECK(*fit.inertia.value == doctest::Approx(6e-3).epsilon(0.005));
}

TEST_CASE("one coast-down alone gives drag over inertia only, and says how to get more") {
  tests::ScratchBook scratch;
  const Part machine = tests::add_part(scratch.book(), PartKind::kMachine, "K");
  store_coast(scratch.book(), machine, 0, mean_rows({0.05, 4e-4, 2e-3, 100}, 50, 0, 1));
  const DragFit fit = fit_drag(scratch.book(), machine);
  CHECK_FALSE(fit.c0.value);
  CHECK_FALSE(fit.inertia.value);
  REQUIRE(fit.over_inertia);
  CHECK(*(*fit.over_inertia)[0].value == doctest::Approx(0.05 / 2e-3).epsilon(2e-3));
  REQUIRE_FALSE(fit.warnings.empty());
  CHECK(fit.warnings.back().find("--added-inertia-kgm2") != std::string::npos);
}

TEST_CASE("a given inertia turns one coast-down into torques") {
  tests::ScratchBook scratch;
  const Part machine = tests::add_part(scratch.book(), PartKind::kMachine, "K");
  store_coast(scratch.book(), machine, 0, mean_rows({0.05, 4e-4, 2e-3, 100}, 50, 0, 1));
  DragFitOptions options;
  options.inertia = Prior{2e-3, 4e-5};
  const DragFit fit = fit_drag(scratch.book(), machine, options);
  CHECK(*fit.c0.value == doctest::Approx(0.05).epsilon(2e-3));
  // The 2 % of the inertia is in the interval: half width at least 1.96 times 2 %.
  CHECK(*fit.c0.high - *fit.c0.value > 0.035 * 0.05);
}

TEST_CASE("driven at several supplies, the motor is the torque meter") {
  // A permanent-magnet motor T = 0.4(v − ω/600) on a ratio of 6 against τ = 0.3 + 2e-3 ω: the
  // steady speed at relative supply v follows from 6·T(6ω) = τ(ω).
  tests::ScratchBook scratch;
  const Part motor = tests::add_part(scratch.book(), PartKind::kMotor, "M");
  const Part machine = tests::add_part(scratch.book(), PartKind::kMachine, "K");
  tests::BrakeBench bench;
  bench.torque = [](double w) { return 0.4 * (1 - w / 600); };
  bench.top = 590;
  bench.noise = 0.001;
  Run brake;
  brake.kind = RunKind::kBrake;
  brake.motor = motor.id;
  brake.inertia_kgm2 = bench.inertia;
  brake.supply_v = 24;
  tests::store(scratch.book(), brake, bench.rows());
  scratch.book().add_curve(to_stored(fit_motor(scratch.book(), motor), motor));
  tests::RememberingNoise noise(0.05, 0.5, 5);
  std::vector<ImportedReading> rows;
  for (int i = 0; i < 1500; ++i) {
    const int level = i / 250;
    const double v = 0.4 + 0.1 * level;
    const double w = (6 * 0.4 * v - 0.3) / (2e-3 + 6 * 0.4 * 6 / 600);
    ImportedReading row;
    row.time_s = i * 0.02;
    row.motor_rpm = (6 * w + noise()) * kRpm;
    row.handwheel_rpm = (w + noise() / 6) * kRpm;
    row.supply_v = 24 * v;
    rows.push_back(row);
  }
  Run run;
  run.kind = RunKind::kDriven;
  run.motor = motor.id;
  run.machine = machine.id;
  tests::store(scratch.book(), run, rows);
  const DragFit fit = fit_drag(scratch.book(), machine);
  for (const double w : {40.0, 70.0})
    CHECK(fit.curve.torque(w) == doctest::Approx(0.3 + 2e-3 * w).epsilon(0.03));
  const double middle = 0.3 + 2e-3 * 60;
  CHECK(std::fabs(fit.curve.torque(60) - middle) < 3 * fit.curve.torque_sd(60));
}

// Six points, typed with what they are known to, by a motor whose curve is known exactly: the
// limits are those of weighted least squares, and need no Student's t.
TEST_CASE("typed driven points with stated uncertainties have the limits of a weighted fit") {
  constexpr double kVoltSd = 0.1, kSpeedSd = 0.5;  // V, rad/s at the motor
  constexpr int kPoints = 6, kTables = 24;
  // τ = 6·0.4·(V/24 − ω/600), so of a point's torque the uncertainty is:
  const double torque_sd = 6 * 0.4 * std::hypot(kVoltSd / 24, kSpeedSd / 600);
  Eigen::Matrix3d normal = Eigen::Matrix3d::Zero();
  std::vector<double> volts, speeds;
  for (int i = 0; i < kPoints; ++i) {
    volts.push_back(24 * (0.4 + 0.1 * i));
    speeds.push_back((6 * 0.4 * volts.back() / 24 - 0.3) / (2e-3 + 6 * 0.4 * 6 / 600));
    const Eigen::Vector3d powers(1, speeds.back(), speeds.back() * speeds.back());
    normal += powers * powers.transpose() / (torque_sd * torque_sd);
  }
  const double plain = 1.96 * std::sqrt(normal.inverse()(0, 0));
  std::vector<double> widths;
  int held = 0;
  for (unsigned seed = 1; seed <= kTables; ++seed) {
    CAPTURE(seed);
    tests::ScratchBook scratch;
    const Part motor = tests::add_part(scratch.book(), PartKind::kMotor, "M");
    StoredCurve curve;
    curve.subject = motor.id;
    curve.model = "permanent-magnet";
    curve.parameter_names = {"stall", "omega_n"};
    curve.parameters = {0.4, 600};
    curve.covariance = Covariance(2);
    curve.degrees_of_freedom = 1e6;
    curve.speed_high = 600;
    curve.supply_v = 24;
    curve.details_json = R"({"described": true})";
    scratch.book().add_curve(curve);
    tests::RememberingNoise white(1, 0, seed);
    std::vector<ImportedReading> rows(kPoints);
    for (std::size_t i = 0; i < kPoints; ++i) {
      rows[i].time_s = static_cast<double>(i + 1);
      rows[i].motor_rpm = (6 * speeds[i] + kSpeedSd * white()) * kRpm;
      rows[i].handwheel_rpm = speeds[i] * kRpm;
      rows[i].supply_v = volts[i] + kVoltSd * white();
      rows[i].motor_rpm_sd = kSpeedSd * kRpm;
      rows[i].supply_v_sd = kVoltSd;
    }
    Run run;
    run.kind = RunKind::kDriven;
    run.steady = true;
    run.motor = motor.id;
    run.machine = tests::add_part(scratch.book(), PartKind::kMachine, "K").id;
    tests::store(scratch.book(), run, rows);
    const DragFit fit =
        fit_drag(scratch.book(), scratch.book().part(PartKind::kMachine, run.machine));
    REQUIRE(fit.c0.low);
    widths.push_back((*fit.c0.high - *fit.c0.low) / 2);
    held += holds(fit.c0, 0.3);
  }
  std::nth_element(widths.begin(), widths.begin() + kTables / 2, widths.end());
  // The motor's equation leaves a little open besides.
  CHECK(widths[kTables / 2] < 1.25 * plain);
  CHECK(widths[kTables / 2] > 0.9 * plain);
  CHECK(held >= 20);  // fewer in 0.2 % of cases (binomial)
}

// Friction of an evening's runs that differs by a few per cent as a whole: each run alone is known
// to a tenth of a per cent, the machine is not.
TEST_CASE("limits know how runs scatter between each other") {
  constexpr double kScatter = 0.03;
  constexpr int kBooks = 20;
  int c0 = 0, c1 = 0;
  for (unsigned seed = 1; seed <= kBooks; ++seed) {
    tests::ScratchBook scratch;
    const Part machine = tests::add_part(scratch.book(), PartKind::kMachine, "K");
    tests::RememberingNoise moods(kScatter, 0, 500 + seed);
    for (unsigned run = 0; run < 5; ++run) {
      const double mood = std::exp(moods()), added = run % 2 == 0 ? 0 : 1.5e-3;
      store_coast(
          scratch.book(), machine, added,
          mean_rows({mood * 0.05, mood * 4e-4, 2e-3 + added, 100}, 25, 0.05, 10 * seed + run));
    }
    DragFitOptions options;
    options.inertia = Prior{2e-3, 1e-6};
    options.stribeck = false;
    const DragFit fit = fit_drag(scratch.book(), machine, options);
    CHECK(fit.not_described == "");
    CHECK(fit.levels.known);
    CHECK(fit.levels.of_runs > 0.3 * kScatter);
    c0 += holds(fit.c0, 0.05);
    c1 += holds(fit.c1, 4e-4);
  }
  // 95 % of 20 is 19; fewer than 17 happens by chance once in 60.
  CHECK(c0 >= 17);
  CHECK(c1 >= 17);
}

TEST_CASE("the run that stands out is named, and runs that agree are left in peace") {
  for (const double stiff : {1.0, 1.4}) {
    CAPTURE(stiff);
    tests::ScratchBook scratch;
    const Part machine = tests::add_part(scratch.book(), PartKind::kMachine, "K");
    for (unsigned run = 0; run < 5; ++run) {
      const double added = run % 2 == 0 ? 0 : 1.5e-3, factor = run == 3 ? stiff : 1;
      store_coast(scratch.book(), machine, added,
                  mean_rows({factor * 0.05, factor * 4e-4, 2e-3 + added, 100}, 25, 0.05, run + 1));
    }
    const std::vector<std::string> said = fit_drag(scratch.book(), machine).warnings;
    const bool named = std::any_of(said.begin(), said.end(), [](const std::string& sentence) {
      return sentence.find("run 4 most, which has") != std::string::npos;
    });
    CHECK(named == (stiff > 1));
  }
}

TEST_CASE("a pair alone cannot tell how runs scatter") {
  tests::ScratchBook scratch;
  const Part machine = tests::add_part(scratch.book(), PartKind::kMachine, "K");
  for (const double added : {0.0, 1.5e-3})
    store_coast(scratch.book(), machine, added,
                mean_rows({0.05, 4e-4, 2e-3 + added, 100}, 25, 0.05, 3));
  CHECK_FALSE(fit_drag(scratch.book(), machine).levels.known);
}

TEST_CASE("limits of a wave's size are those of the noncentral chi-squared, however large it is") {
  // scipy.stats.ncx2 (1.10), its cdf of the square with two degrees of freedom solved for the root
  // of the noncentrality at 0.975 and 0.025.
  const double known[][3] = {{10, 0.908915, 4.996107},
                             {400, 18.013694, 21.936092},
                             {401, 18.038713, 21.961104},
                             {1e6, 998.039535, 1001.959464}};
  for (const double* line : known) {
    CAPTURE(line[0]);
    CHECK(limits_of_wave(line[0]).low == doctest::Approx(line[1]).epsilon(0.0015));
    CHECK(limits_of_wave(line[0]).high == doctest::Approx(line[2]).epsilon(0.0015));
  }
  CHECK(limits_of_wave(1e300).low == doctest::Approx(1e150));
  CHECK(limits_of_wave(0).value == 0);
  CHECK(limits_of_wave(0).low == 0);
}
