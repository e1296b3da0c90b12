// Runs with something wrong in them: right, wide, or refused with the cause named; never narrow and
// wrong.
#include <doctest/doctest.h>

#include <cmath>
#include <random>

#include "fit/motors/motor_fit.h"
#include "tests/support/bench_rows.h"
#include "tests/support/scratch_book.h"

using namespace loadline;

namespace {

constexpr double kStall = 0.3, kTop = 900, kPower = kStall * kTop / 4;

tests::BrakeBench good_bench(unsigned seed = 1) {
  tests::BrakeBench bench;
  bench.torque = [](double w) { return kStall * (1 - w / kTop); };
  bench.top = 880;
  bench.lowest = 40;
  bench.seconds = 20;
  bench.rows_hz = 40;
  bench.noise = 0.001;
  bench.seed = seed;
  return bench;
}

double series_torque(double w) {
  return 0.32 * (300.0 * 300 + 250.0 * 250) / ((w + 300) * (w + 300) + 250.0 * 250) - 0.028;
}

struct Bench {
  tests::ScratchBook scratch;
  Part motor = tests::add_part(scratch.book(), PartKind::kMotor, "M");
  std::int64_t add(const std::vector<ImportedReading>& rows, RunKind kind = RunKind::kBrake,
                   double inertia = 1e-4) {
    Run run;
    run.kind = kind;
    run.motor = motor.id;
    run.inertia_kgm2 = inertia;
    return tests::store(scratch.book(), run, rows);
  }
  MotorFit fit(const MotorFitOptions& options = {}) {
    return fit_motor(scratch.book(), motor, options);
  }
};

MotorFit fit_of(const std::vector<ImportedReading>& rows) {
  Bench bench;
  bench.add(rows);
  return bench.fit();
}

bool mentions(const std::string& text, const char* words) {
  return text.find(words) != std::string::npos;
}

void check_refused(const MotorFit& fit, const char* words) {
  CAPTURE(fit.not_described);
  CHECK(mentions(fit.not_described, words));
}

}  // namespace

TEST_CASE("a sound run is described") {
  const MotorFit fit = fit_of(good_bench().rows());
  CHECK(fit.not_described == "");
  CHECK(*fit.peak_power.low < kPower);
  CHECK(*fit.peak_power.high > kPower);
}

TEST_CASE("torque with the wrong sign is refused") {
  auto rows = good_bench().rows();
  for (auto& row : rows) row.torque_nm = -row.torque_nm;
  check_refused(fit_of(rows), "sign");
}

TEST_CASE("a zero that is off shows where the motor runs fastest, or before it turns") {
  auto low = good_bench().rows();
  for (auto& row : low) row.torque_nm -= 0.02;
  check_refused(fit_of(low), "zero");
  std::vector<ImportedReading> high;
  for (double t = 0; t < 1; t += 0.025) {
    ImportedReading row;
    row.time_s = t;
    row.motor_rpm = 0;
    row.torque_nm = 0;
    high.push_back(row);
  }
  for (ImportedReading row : good_bench().rows()) {
    row.time_s += 1.2;
    high.push_back(row);
  }
  for (auto& row : high) row.torque_nm += 0.02;
  check_refused(fit_of(high), "zero");
}

TEST_CASE("a cell at its end, and one that hangs, are refused") {
  auto clipped = good_bench().rows();
  for (auto& row : clipped) row.torque_nm = std::min(row.torque_nm, 0.12);
  check_refused(fit_of(clipped), "stands at");
  auto frozen = good_bench().rows();
  for (std::size_t i = frozen.size() / 3; i < frozen.size(); ++i)
    frozen[i].torque_nm = frozen[frozen.size() / 3].torque_nm;
  check_refused(fit_of(frozen), "stands at");
}

TEST_CASE("a converter at its end at every second stroke of the brake, and a plug that is loose") {
  auto clipped = good_bench().rows();
  for (std::size_t i = 0; i < clipped.size(); ++i)
    if (clipped[i].torque_nm > 0.2 && i % 40 < 20) clipped[i].torque_nm = 0.2 + 0.15;
  check_refused(fit_of(clipped), "at its end");
  auto loose = good_bench().rows();
  for (std::size_t i = 7; i < loose.size(); i += 11) loose[i].torque_nm = 0;
  check_refused(fit_of(loose), "drops out");
}

TEST_CASE("an amplification that changes half way is refused") {
  auto rows = good_bench().rows();
  for (std::size_t i = rows.size() / 2; i < rows.size(); ++i) rows[i].torque_nm *= 1.3;
  const MotorFit fit = fit_of(rows);
  CHECK(!fit.not_described.empty());
}

TEST_CASE(
    "one way, and something changes at once: a torque without its speed, a speed without its "
    "torque") {
  // A notebook's order, by speed; nobody said what turns with the shaft, and no speed comes twice.
  const auto one_way = [](unsigned seed) {
    std::vector<ImportedReading> rows;
    std::mt19937 random(seed);
    std::normal_distribution<double> noise(0, 0.001);
    for (int i = 0; i < 400; ++i) {
      const double w = 860 - 2 * i;
      ImportedReading row;
      row.time_s = 0.1 * i;
      row.motor_rpm = w * tests::kRpm;
      row.torque_nm = kStall * (1 - w / kTop) + noise(random);
      rows.push_back(row);
    }
    return rows;
  };
  const auto fitted = [](const std::vector<ImportedReading>& rows) {
    Bench bench;
    Run run;
    run.kind = RunKind::kBrake;
    run.motor = bench.motor.id;
    tests::store(bench.scratch.book(), run, rows);
    return bench.fit();
  };
  for (unsigned seed = 1; seed <= 3; ++seed) {
    CHECK(fitted(one_way(seed)).not_described == "");
    auto gain = one_way(seed), halved = one_way(seed);
    for (std::size_t i = 200; i < gain.size(); ++i) gain[i].torque_nm *= 1.3;
    check_refused(fitted(gain), "at once");
    for (std::size_t i = 150; i < halved.size(); ++i) halved[i].motor_rpm /= 2;
    check_refused(fitted(halved), "only every other");
  }
}

TEST_CASE("a zero so low that a brake would have to push a series motor is refused") {
  tests::BrakeBench sound = good_bench();
  sound.torque = series_torque;
  CHECK(fit_of(sound.rows()).not_described == "");
  auto rows = sound.rows();
  for (auto& row : rows) row.torque_nm -= 0.015;
  check_refused(fit_of(rows), "zero");
}

TEST_CASE("sweeps that are quick against what is known of their times are refused or wide") {
  tests::BrakeBench quick = good_bench();
  quick.seconds = 1.3;
  quick.lag_s = 0;
  std::vector<ImportedReading> rows;
  for (int sweep = 0; sweep < 3; ++sweep)
    for (ImportedReading row : quick.rows()) {
      row.time_s += 1.3 * sweep;
      rows.push_back(row);
    }
  Bench bench;
  Run run;
  run.kind = RunKind::kBrake;
  run.motor = bench.motor.id;
  tests::store(bench.scratch.book(), run, rows);
  check_refused(bench.fit(), "too quickly");
}

TEST_CASE("a factor between plate and runs is a wrong unit") {
  auto rows = good_bench().rows();
  for (auto& row : rows) row.torque_nm *= 1000;
  Bench bench;
  bench.motor.fields["rated-w"] = 70.0;
  bench.add(rows);
  check_refused(bench.fit(), "plate");
}

TEST_CASE("a sweep one way whose inertia nobody gave is wide") {
  std::vector<ImportedReading> rows = good_bench().rows();
  rows.resize(rows.size() / 2);
  Bench bench;
  Run run;
  run.kind = RunKind::kBrake;
  run.motor = bench.motor.id;
  tests::store(bench.scratch.book(), run, rows);
  const MotorFit fit = bench.fit();
  if (fit.stall_torque.low && fit.not_described.empty()) {
    const double half = (*fit.stall_torque.high - *fit.stall_torque.low) / 2;
    CHECK(std::fabs(*fit.stall_torque.value - kStall) < 2 * half);
  }
}

TEST_CASE("the same readings twice count once") {
  Bench bench;
  const auto rows = good_bench().rows();
  bench.add(rows);
  const MotorFit once = bench.fit();
  bench.add(rows);
  const MotorFit twice = bench.fit();
  CHECK(twice.findings.size() == 1);
  CHECK(*twice.peak_power.low == doctest::Approx(*once.peak_power.low));
  CHECK(mentions(twice.warnings.front(), "same readings"));
}

TEST_CASE("a spin-up with a wrong flywheel moves no brake curve, and is spoken of") {
  // ω = ωn(1 − e^(−t/θ)), θ = J·ωn/Ts with J = 1.2e-3, then switched off: friction alone.
  const double inertia = 1.2e-3, theta = inertia * kTop / kStall;
  std::vector<ImportedReading> rows;
  for (double t = 0.02; t < 30; t += 0.02) {
    ImportedReading row;
    row.time_s = t;
    const double reached = kTop * (1 - std::exp(-15 / theta));
    const double w = t < 15 ? kTop * (1 - std::exp(-t / theta)) : reached - 20 * (t - 15);
    row.motor_rpm = w * tests::kRpm;
    row.supply_v = t < 15 ? 230 : 0;
    rows.push_back(row);
  }
  Bench bench;
  const auto brake = bench.add(good_bench().rows());
  const MotorFit alone = bench.fit();
  bench.add(rows, RunKind::kSpinUp, inertia / 3.4);
  const MotorFit both = bench.fit();
  CHECK(*both.no_load_speed.value == doctest::Approx(*alone.no_load_speed.value).epsilon(1e-9));
  const bool said = std::any_of(both.warnings.begin(), both.warnings.end(), [](const auto& w) {
    return w.find("a factor of 3.") != std::string::npos;
  });
  CHECK(said);
  MotorFitOptions options;
  options.runs = {brake};
  CHECK(*bench.fit(options).no_load_speed.value ==
        doctest::Approx(*alone.no_load_speed.value).epsilon(1e-9));
}

TEST_CASE("next to no inertia between rotor and cell does not make the torque swing without end") {
  tests::BrakeBench sound = good_bench();
  sound.torque = [](double w) {
    const double a = 0.32 * (300.0 * 300 + 250.0 * 250);
    return a / ((w + 300) * (w + 300) + 250.0 * 250) - 0.01;
  };
  sound.inertia = 1e-7;
  Bench bench;
  bench.add(sound.rows(), RunKind::kBrake, 1e-7);
  MotorFitOptions options;
  options.model = "series";
  const MotorFit fit = bench.fit(options);
  REQUIRE(fit.stall_torque.low);
  CHECK(*fit.stall_torque.high - *fit.stall_torque.low < 0.25 * *fit.stall_torque.value);
  // Far beyond the readings: not known is an answer, −326,798 to 329,561 rpm (once) is none.
  CHECK(fit.no_load_speed.low.value_or(1e9) > 0.8 * fit.no_load_speed.value.value_or(0));
  CHECK(fit.no_load_speed.high.value_or(0) < 1.25 * fit.no_load_speed.value.value_or(1e9));
}
