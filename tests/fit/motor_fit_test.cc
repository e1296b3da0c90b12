// Motor curves from brake runs, no-load runs, spin-ups: against textbook motors and truths known by
// formula.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <complex>

#include "fit/equations/equations.h"
#include "fit/motors/motor_fit.h"
#include "fit/motors/motor_models.h"
#include "fit/spin_ups/disc_windage.h"
#include "tests/support/bench_rows.h"
#include "tests/support/scratch_book.h"

using namespace loadline;
using tests::BrakeBench;
using tests::kRpm;

namespace {

// A series motor straight from its circuit: V² = ((R+Kω)I)² + (XI)², T = KI².
struct CircuitMotor {
  double volts, resistance, reactance, constant, friction = 0, fan = 0;
  double operator()(double w) const {
    const double real = resistance + constant * w;
    return constant * volts * volts / (real * real + reactance * reactance) - friction -
           fan * w * w;
  }
};

// 240 V, 50 Hz, R = 6.15 + 4.55 Ω, X = 9.4 + 3.2 Ω, K = 0.0191047 V·s/A: textbook problem of Guru &
// Hiziroglu, Electric Machinery and Transformers (K derived from its data at 12,000 rpm, 6.5 A).
const CircuitMotor kTextbook{240, 10.7, 12.6, 0.0191047};
// A motor of the bench's size with friction and fan of its own.
const CircuitMotor kBenchMotor{230, 120, 110, 0.25, 0.012, 2.5e-8};

Run run_of(RunKind kind, double inertia) {
  Run run;
  run.kind = kind;
  run.inertia_kgm2 = inertia;
  return run;
}

// The curve of a motor with this one run.
MotorFit fit_rows(Run run, const std::vector<ImportedReading>& rows,
                  const MotorFitOptions& options = {}) {
  tests::ScratchBook scratch;
  const Part motor = tests::add_part(scratch.book(), PartKind::kMotor, "M");
  run.motor = motor.id;
  tests::store(scratch.book(), run, rows);
  return fit_motor(scratch.book(), motor, options);
}

MotorFit fit_rows(const std::vector<ImportedReading>& rows, double inertia,
                  const MotorFitOptions& options = {}) {
  return fit_rows(run_of(RunKind::kBrake, inertia), rows, options);
}

BrakeBench bench_of(const CircuitMotor& motor) {
  BrakeBench bench;
  bench.torque = motor;
  return bench;
}

bool holds(const Estimate& estimate, double truth) {
  return estimate.low && estimate.high && *estimate.low <= truth && truth <= *estimate.high;
}

double peak_of(const CircuitMotor& motor) {
  double best = 0;
  for (double w = 1; w < 3000; w += 0.25) best = std::max(best, w * motor(w));
  return best;
}

}  // namespace

TEST_CASE("the textbook series motor comes back at its two points") {
  BrakeBench bench = bench_of(kTextbook);
  bench.top = 1400;
  const MotorFit fit = fit_rows(bench.rows(), bench.inertia);
  CHECK(fit.curve.model == "series");
  // 0.807133 N·m at 12,000 rpm and 3.135145 N·m at 1,582 rpm, electromagnetic (same source).
  CHECK(fit.curve.torque(12000 / kRpm) == doctest::Approx(0.807133).epsilon(0.005));
  CHECK(fit.curve.torque(1582 / kRpm) == doctest::Approx(3.135145).epsilon(0.005));
  // Its electromagnetic power peaks at 8262.49 rpm with 1057.646 W (maximum power transfer).
  REQUIRE(fit.peak_power.value);
  CHECK(*fit.peak_power.value == doctest::Approx(1057.646).epsilon(0.01));
  CHECK(*fit.peak_power_speed.value == doctest::Approx(8262.49).epsilon(0.02));
}

TEST_CASE("a permanent-magnet motor is told from a series motor, peak power Ts·wn/4 at wn/2") {
  BrakeBench bench;
  bench.torque = [](double w) { return 0.4 * (1 - w / 600); };
  bench.top = 590;
  bench.noise = 0.003;
  const MotorFit fit = fit_rows(bench.rows(), bench.inertia);
  CHECK(fit.curve.model == "permanent-magnet");
  CHECK(holds(fit.stall_torque, 0.4));
  CHECK(holds(fit.no_load_speed, 600 * kRpm));
  CHECK(holds(fit.peak_power, 0.4 * 600 / 4));
}

TEST_CASE("an induction motor keeps its breakdown torque") {
  // Kloss with slip_b 0.25 on a synchronous speed of 50π rad/s: any machines text.
  BrakeBench bench;
  bench.torque = [](double w) {
    const double s = 1 - w / (50 * std::numbers::pi);
    return 2 * 0.8 / (s / 0.25 + 0.25 / s);
  };
  bench.top = 150;
  bench.lowest = 8;
  bench.noise = 0.004;
  const MotorFit fit = fit_rows(bench.rows(), bench.inertia);
  CHECK(fit.curve.model == "induction");
  CHECK(holds(fit.stall_torque, 2 * 0.8 / (1 / 0.25 + 0.25)));
  CHECK(fit.curve.parameters[0] == doctest::Approx(0.8).epsilon(0.01));
}

TEST_CASE("a motor is too fast for an induction motor by its usual top, not by single readings") {
  const Part of_unknown_type;
  const auto tries_induction = [&](double top, double knock) {
    Readings readings;
    readings.run.kind = RunKind::kBrake;
    for (int i = 0; i < 200; ++i)
      readings.motor.speed.push_back(i % 20 == 7 ? knock : top * (1 - i / 400.0));
    const auto names = models_to_try({}, of_unknown_type, {&readings});
    return std::count(names.begin(), names.end(), "induction") == 1;
  };
  // 3,600 rpm is what 60 Hz allow: 377 rad/s.
  CHECK(tries_induction(370, 740));
  CHECK_FALSE(tries_induction(600, 300));
}

namespace {

// A motor on its main winding alone, by its equivalent circuit with a forward and a backward branch
// (double revolving fields): the textbook's 1/4 hp, 110 V, 60 Hz, four poles, R₁ 2.02, X₁ 2.79,
// X_m 66.8, R₂ 4.12, X₂ 2.12 Ω (Fitzgerald, Kingsley and Umans, Electric Machinery, chapter on
// single-phase motors, from memory). At slip 0.05 it draws 3.59 A and turns 147 W out, 37 W of
// core, friction and windage taken off, at 1,710 rpm.
struct SinglePhaseCircuit {
  static constexpr double kSynchronous = 60 * std::numbers::pi;
  std::complex<double> branch(double slip) const {
    const std::complex<double> magnetising{0, 66.8}, rotor{4.12 / slip, 2.12};
    return 0.5 * magnetising * rotor / (magnetising + rotor);
  }
  double current(double w) const {
    const double s = 1 - w / kSynchronous;
    return 110 / std::abs(std::complex<double>{2.02, 2.79} + branch(s) + branch(2 - s));
  }
  double operator()(double w) const {
    const double s = 1 - w / kSynchronous, amps = current(w);
    return amps * amps * (branch(s).real() - branch(2 - s).real()) / kSynchronous -
           37 / (0.95 * kSynchronous);
  }
};

}  // namespace

TEST_CASE("a single-phase motor is two fields against each other, and told from one on three") {
  const SinglePhaseCircuit circuit;
  const double at = 0.95 * SinglePhaseCircuit::kSynchronous;
  CHECK(circuit.current(at) == doctest::Approx(3.59).epsilon(0.01));
  CHECK(circuit(at) * at == doctest::Approx(147).epsilon(0.02));
  BrakeBench bench;
  bench.torque = circuit;
  bench.top = 0.985 * SinglePhaseCircuit::kSynchronous;
  bench.lowest = 20;
  bench.noise = 0.005;
  for (const char* const type : {"induction", "unknown"}) {
    CAPTURE(type);
    tests::ScratchBook scratch;
    Part motor = tests::add_part(scratch.book(), PartKind::kMotor, "M");
    motor.fields["type"] = std::string(type);
    scratch.book().update(motor);
    Run run = run_of(RunKind::kBrake, bench.inertia);
    run.motor = motor.id;
    tests::store(scratch.book(), run, bench.rows());
    const MotorFit fit = fit_motor(scratch.book(), motor, {});
    CHECK(fit.curve.model == "single-phase");
    for (const double share : {0.3, 0.6, 0.9, 0.95})
      CHECK(fit.curve.torque(share * SinglePhaseCircuit::kSynchronous) ==
            doctest::Approx(circuit(share * SinglePhaseCircuit::kSynchronous)).epsilon(0.05));
    // On its main winding alone it stands: Kloss' equation says of the same rows that it starts.
    CHECK(std::fabs(fit.curve.torque(0)) < 0.15 * circuit(0.8 * SinglePhaseCircuit::kSynchronous));
  }
}

TEST_CASE("a disc of 80 mm moves about a milli-newton metre of air at a motor's free speed") {
  // r = 40 mm, 13,740 rpm = 1,439 rad/s in air of 1.2 kg/m³ and 1.5e-5 m²/s: Re = 1.535e5, laminar,
  // C = 3.87/391.8 = 9.88e-3, M = C·½·1.2·1,439²·0.04⁵ = 1.257e-3 N·m (Cochran's coefficient, by
  // hand). Twice as wide it is turbulent: Re = 6.14e5, C = 0.146/14.37 = 1.016e-2.
  CHECK(disc_windage(0.040, 1439) == doctest::Approx(1.257e-3).epsilon(2e-3));
  CHECK(disc_windage(0.080, 1439) ==
        doctest::Approx(1.016e-2 * 0.5 * 1.2 * 1439 * 1439 * std::pow(0.08, 5)).epsilon(2e-3));
  // 395 g of steel, 80 mm wide and 10 mm thick: ½·m·r² = 3.16e-4.
  CHECK(radius_of_steel_disc(3.16e-4) == doctest::Approx(0.040).epsilon(5e-3));
}

TEST_CASE("intervals hold the truth where noise remembers, the cell lags and the zero drifts") {
  // 40 sessions: of 95 % intervals fewer than 33 hold with a chance of 2 in 10,000 (binomial); a
  // plain fit of all samples holds none of them (its bias alone is several times its interval).
  int stall = 0, peak = 0;
  const double true_stall = kBenchMotor(0), true_peak = peak_of(kBenchMotor);
  for (unsigned seed = 1; seed <= 40; ++seed) {
    BrakeBench bench = bench_of(kBenchMotor);
    bench.noise = 0.01 * true_stall;
    bench.drift = (seed % 2 ? 0.004 : -0.004) * true_stall;
    bench.seed = seed;
    const MotorFit fit = fit_rows(bench.rows(), bench.inertia);
    stall += holds(fit.stall_torque, true_stall);
    peak += holds(fit.peak_power, true_peak);
    REQUIRE(fit.stall_torque.value);
    CHECK((*fit.stall_torque.high - *fit.stall_torque.low) < 0.08 * true_stall);
  }
  CHECK(stall >= 33);
  CHECK(peak >= 33);
}

TEST_CASE("a run of many rows gives the same curve as its like of few, and holds the truth") {
  BrakeBench bench = bench_of(kBenchMotor);
  bench.seconds = 30;
  bench.noise = 0.004;
  const MotorFit few = fit_rows(bench.rows(), bench.inertia);  // 2,400 rows, taken as they are
  bench.rows_hz = 2000;                                        // 60,000, joined
  bench.rho = std::pow(bench.rho, 80.0 / bench.rows_hz);       // noise of the same memory in time
  const MotorFit many = fit_rows(bench.rows(), bench.inertia);
  CHECK(many.curve.model == few.curve.model);
  for (const MotorFit* fit : {&few, &many}) {
    CHECK(holds(fit->stall_torque, kBenchMotor(0)));
    CHECK(holds(fit->peak_power, peak_of(kBenchMotor)));
  }
  const auto width = [](const Estimate& e) { return *e.high - *e.low; };
  CHECK(width(many.peak_power) == doctest::Approx(width(few.peak_power)).epsilon(0.25));
  CHECK(width(many.stall_torque) == doctest::Approx(width(few.stall_torque)).epsilon(0.25));
}

TEST_CASE("lag and inertia left uncorrected shift the peak power of a quick one-way sweep") {
  BrakeBench bench = bench_of(kBenchMotor);
  bench.seconds = 10;
  std::vector<ImportedReading> rows = bench.rows();
  rows.resize(rows.size() / 2);  // only the way down
  const double truth = peak_of(kBenchMotor);
  MotorFitOptions raw;
  raw.sweep.correct_inertia = false;
  raw.sweep.correct_lag = false;
  raw.sweep.correct_drift = false;
  CHECK(std::fabs(*fit_rows(rows, bench.inertia).peak_power.value / truth - 1) < 0.02);
  CHECK(*fit_rows(rows, bench.inertia, raw).peak_power.value / truth - 1 > 0.06);
}

TEST_CASE("a sweep that stays fast does not know the standstill torque, and says so") {
  BrakeBench bench = bench_of(kBenchMotor);
  bench.lowest = 600;
  bench.noise = 0.002;
  const MotorFit fit = fit_rows(bench.rows(), bench.inertia);
  CHECK_FALSE(fit.stall_torque.value);
  bool said = false;
  for (const std::string& warning : fit.warnings)
    said = said || warning.find("tandstill torque is not identified") != std::string::npos;
  CHECK(said);
}

TEST_CASE("a knock on the bench loses its weight and is named with its time") {
  BrakeBench bench = bench_of(kBenchMotor);
  bench.noise = 0.002;
  std::vector<ImportedReading> rows = bench.rows();
  const MotorFit clean = fit_rows(rows, bench.inertia);
  for (std::size_t i = 500; i < 503; ++i) rows[i].torque_nm += 0.4;
  const MotorFit knocked = fit_rows(rows, bench.inertia);
  CHECK(*knocked.peak_power.value == doctest::Approx(*clean.peak_power.value).epsilon(0.003));
  REQUIRE(knocked.findings.front().outlier_times_s.size() == 1);
  CHECK(knocked.findings.front().outlier_times_s.front() ==
        doctest::Approx(rows[500].time_s).epsilon(0.01));
}

TEST_CASE("the budget's sources add up to the whole, by variance") {
  BrakeBench bench = bench_of(kBenchMotor);
  bench.noise = 0.002;
  const MotorFit fit = fit_rows(bench.rows(), bench.inertia);
  double sum = 0;
  for (const BudgetLine& line : fit.budget)
    if (line.source != "all together") sum += line.peak_power * line.peak_power;
  CHECK(std::sqrt(sum) == doctest::Approx(fit.budget.back().peak_power).epsilon(1e-6));
}

TEST_CASE("the smooth model follows a motor that no equation describes, and says nothing beyond") {
  // A governor's contact lets go at 300 rad/s: the torque falls by a third of itself within 30
  // rad/s.
  const auto torque = [](double w) {
    return 0.5 * (1 - w / 700) * (1 - 0.35 / (1 + std::exp(-(w - 300) / 15)));
  };
  double peak = 0;
  for (double w = 1; w < 680; w += 0.25) peak = std::max(peak, w * torque(w));
  BrakeBench bench;
  bench.torque = torque;
  bench.top = 660;
  bench.noise = 0.003;
  const MotorFit equation = fit_rows(bench.rows(), bench.inertia);
  CHECK_FALSE(holds(equation.peak_power, peak));
  MotorFitOptions options;
  options.model = "smooth";
  const MotorFit smooth = fit_rows(bench.rows(), bench.inertia, options);
  CHECK(smooth.curve.model == "smooth");
  CHECK(holds(smooth.peak_power, peak));
  CHECK(smooth.residual_rms < 0.6 * equation.residual_rms);
  for (const double w : {150.0, 250.0, 300.0, 350.0, 500.0}) {
    CAPTURE(w);
    CHECK(std::fabs(smooth.curve.torque(w) - torque(w)) < 3.5 * smooth.curve.torque_sd(w) + 0.002);
  }
  CHECK_FALSE(smooth.stall_torque.value);
  CHECK(std::isnan(smooth.curve.torque(smooth.curve.speed_high + 1)));
  const Curve again = Curve::from_stored(to_stored(smooth, {}));
  CHECK(again.torque(250) == doctest::Approx(smooth.curve.torque(250)).epsilon(1e-12));
}

TEST_CASE("one current on direct and on alternating mains: the textbooks' universal motor") {
  // A problem of textbooks on electrical machines, in several of them alike (recomputed): 120 V,
  // 20 Ω, 0.25 H, 0.6 A and 2,000 rpm on direct current; at the same current, thus torque, on
  // alternating mains 1,821 rpm at 50 Hz and 1,738 rpm at 60 Hz, 0.309 N·m in each case.
  const double volts = 120, ohms = 20, henry = 0.25, amperes = 0.6;
  const double k = (volts / amperes - ohms) / (2000 / kRpm);  // V·s/A
  const auto torque = [&](double rpm, double hertz) {
    const double p[] = {volts * volts / k, ohms / k, 2 * M_PI * hertz * henry / k, 0, 0, 0};
    return SeriesEquation::torque(p, rpm / kRpm, 1.0, 0.0);
  };
  CHECK(torque(2000, 0) == doctest::Approx(0.309).epsilon(0.002));
  CHECK(torque(1821, 50) == doctest::Approx(0.309).epsilon(0.002));
  CHECK(torque(1738, 60) == doctest::Approx(0.309).epsilon(0.002));
}

TEST_CASE("a spin-up of a known inertia gives the permanent-magnet motor's curve") {
  // J dω/dt = Ts(1 − ω/ωn): ω = ωn(1 − exp(−t Ts/(J ωn))), in closed form.
  const double stall = 0.3, top = 500, inertia = 8e-4, tau = inertia * top / stall;
  const auto angle = [&](double t) { return top * (t - tau * (1 - std::exp(-t / tau))); };
  std::vector<ImportedReading> rows;
  for (int i = 1; i < 480; ++i) {
    ImportedReading row;
    row.time_s = i / 80.0;
    const double from = std::max(0.0, row.time_s - 1.0 - 1 / 80.0),
                 to = std::max(0.0, row.time_s - 1.0);
    row.motor_rpm = (angle(to) - angle(from)) * 80 * kRpm;
    rows.push_back(row);
  }
  const MotorFit fit = fit_rows(run_of(RunKind::kSpinUp, inertia), rows);
  CHECK(fit.curve.torque(250) == doctest::Approx(stall / 2).epsilon(0.005));
  CHECK(*fit.no_load_speed.value == doctest::Approx(top * kRpm).epsilon(0.002));
  CHECK(*fit.peak_power.value == doctest::Approx(stall * top / 4).epsilon(0.005));
}

// kBenchMotor brings a flywheel up from 1 s to 9 s, not yet to its top speed, and is switched off;
// then the flywheel turns on. Rows are mean speeds between the last edges before them, six a turn;
// the supply channel follows the switch with a time constant. By Euler steps of 20 µs, whose error
// is far below the tolerances.
std::vector<ImportedReading> spin_up_rows(double inertia) {
  constexpr double kStep = 2e-5, kRow = 1 / 80.0, kFollows = 0.15, kSlot = 2 * M_PI / 6;
  const auto inside = [](double t) { return t >= 1 && t < 9; };
  std::vector<ImportedReading> rows;
  double t = 0, speed = 0, supply = 0, since_edge = 0, edge_s = 0, last_edge_s = 0;
  for (int i = 1; i < 17 * 80; ++i) {
    int edges = 0;
    for (; t < i * kRow; t += kStep) {
      const double friction = kBenchMotor.friction + kBenchMotor.fan * speed * speed;
      const double torque = inside(t) ? kBenchMotor(speed) : speed > 0 ? -friction : 0;
      since_edge += speed * kStep;
      speed = std::max(0.0, speed + torque / inertia * kStep);
      supply += ((inside(t) ? kBenchMotor.volts : 0) - supply) * kStep / kFollows;
      if (since_edge < kSlot) continue;
      since_edge -= kSlot;
      edge_s = t + kStep - since_edge / speed;
      ++edges;
    }
    ImportedReading row;
    row.time_s = t;
    row.motor_rpm =
        edges > 0 && last_edge_s > 0 ? edges * kSlot / (edge_s - last_edge_s) * kRpm : 0;
    if (edges > 0) last_edge_s = edge_s;
    row.supply_v = supply;
    rows.push_back(row);
  }
  return rows;
}

TEST_CASE("a spin-up that ends before the top speed gives the series motor's curve") {
  for (const double inertia : {3e-4, 1.2e-3}) {
    CAPTURE(inertia);
    Run run = run_of(RunKind::kSpinUp, inertia);
    run.supply_v = kBenchMotor.volts;
    const MotorFit fit = fit_rows(run, spin_up_rows(inertia));
    CHECK(fit.curve.model == "series");
    CHECK(*fit.stall_torque.value == doctest::Approx(kBenchMotor(0)).epsilon(0.03));
    CHECK(holds(fit.stall_torque, kBenchMotor(0)));
    CHECK(*fit.peak_power.value == doctest::Approx(peak_of(kBenchMotor)).epsilon(0.015));
    CHECK(holds(fit.peak_power, peak_of(kBenchMotor)));
    double top = 300;
    while (kBenchMotor(top) > 0) top += 0.1;
    CHECK(fit.curve.speed_high < top);
    CHECK(*fit.no_load_speed.value == doctest::Approx(top * kRpm).epsilon(0.005));
    CHECK(holds(fit.no_load_speed, top * kRpm));
  }
}

TEST_CASE("a curve moves to another winding temperature by copper's resistance") {
  // The textbook circuit warm at 75 °C; cold at 20 °C its resistance is 1/(1 + 0.00393·55) of that.
  CircuitMotor warm = kBenchMotor, cold = kBenchMotor;
  cold.resistance = warm.resistance / (1 + 0.00393 * 55);
  const auto rows = bench_of(warm).rows();
  const MotorFit as_run = fit_rows(rows, bench_of(warm).inertia);
  MotorFitOptions options;
  options.at_winding_c = 20;
  CHECK_THROWS_WITH_AS(fit_rows(rows, bench_of(warm).inertia, options),
                       doctest::Contains("--winding-c"), Error);
  options.winding_c = 75;
  const MotorFit moved = fit_rows(rows, bench_of(warm).inertia, options);
  CHECK(*moved.winding_c == 20);
  CHECK(holds(as_run.stall_torque, warm(0)));
  CHECK_FALSE(holds(as_run.stall_torque, cold(0)));
  CHECK(holds(moved.stall_torque, cold(0)));
  CHECK_FALSE(holds(moved.stall_torque, warm(0)));
  CHECK(holds(moved.peak_power, peak_of(cold)));
  CHECK_FALSE(holds(as_run.peak_power, peak_of(cold)));
  // At the temperature of the runs it stays where it was, a little less sure.
  options.at_winding_c = 75;
  const MotorFit same = fit_rows(rows, bench_of(warm).inertia, options);
  CHECK(*same.peak_power.value == doctest::Approx(*as_run.peak_power.value).epsilon(1e-9));
  CHECK(*same.peak_power.low < *as_run.peak_power.low);
  options.model = "smooth";
  CHECK_THROWS_WITH_AS(fit_rows(rows, bench_of(warm).inertia, options), doctest::Contains("smooth"),
                       Error);
}

TEST_CASE("a motor without runs is refused with what to record") {
  tests::ScratchBook scratch;
  const Part motor = tests::add_part(scratch.book(), PartKind::kMotor, "M");
  CHECK_THROWS_WITH_AS(fit_motor(scratch.book(), motor),
                       doctest::Contains("record one with loadline-logger record brake"), Error);
}
