// Brake runs spoilt as benches spoil them: the curve is refused with its cause, the sound one
// passes.
#include "fit/motor_runs/motor_gate.h"
#include "fit/motors/motor_fit.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <functional>

#include "db/basis/error.h"
#include "db/basis/units.h"
#include "tests/support/bench_rows.h"
#include "tests/support/scratch_book.h"

using namespace loadline;

namespace {

std::string verdict(const std::function<void(std::size_t, ImportedReading&)>& spoil,
                    double plate_w) {
  tests::BrakeBench bench;
  bench.torque = [](double speed) { return 0.3 * (1 - speed / 1050); };  // peak power 79 W
  bench.noise = 0.002;
  std::vector<ImportedReading> rows = bench.rows();
  for (std::size_t i = 0; i < rows.size(); ++i) spoil(i, rows[i]);
  tests::ScratchBook scratch;
  Part motor = tests::add_part(scratch.book(), PartKind::kMotor, "M");
  motor.fields["rated-w"] = plate_w;
  Run run;
  run.kind = RunKind::kBrake;
  run.motor = motor.id;
  run.supply_v = 230;
  run.inertia_kgm2 = bench.inertia;
  tests::store(scratch.book(), run, rows);
  MotorFitOptions options;
  options.model = "permanent-magnet";
  try {
    return fit_motor(scratch.book(), motor, options).not_described;
  } catch (const Error& refused) {  // some are told before there is a curve
    return refused.what();
  }
}

// Two runs of one motor, of which the second reads `gain` times the torque.
MotorFit second_run_times(double gain) {
  tests::ScratchBook scratch;
  const Part motor = tests::add_part(scratch.book(), PartKind::kMotor, "M");
  for (const double factor : {1.0, gain}) {
    tests::BrakeBench bench;
    bench.torque = [&](double speed) { return factor * 0.3 * (1 - speed / 1050); };
    bench.noise = 0.002;
    Run run;
    run.kind = RunKind::kBrake;
    run.motor = motor.id;
    run.supply_v = 230;
    run.inertia_kgm2 = bench.inertia;
    tests::store(scratch.book(), run, bench.rows());
  }
  MotorFitOptions options;
  options.model = "permanent-magnet";
  return fit_motor(scratch.book(), motor, options);
}

bool is_said_apart(const MotorFit& fit) {
  return std::any_of(fit.warnings.begin(), fit.warnings.end(), [](const std::string& said) {
    return said.find("torque than run 1 at the same speed") != std::string::npos;
  });
}

}  // namespace

TEST_CASE("runs that differ by no more than a warm winding makes are answered, and it is said") {
  // 0.39 % per kelvin, IEC 60028: 3 % are 8 K, 12 % 31 K, 40 % 100 K.
  const MotorFit alike = second_run_times(0.97), cold = second_run_times(1.12);
  CHECK(alike.not_described == "");
  CHECK_FALSE(is_said_apart(alike));
  CHECK(cold.not_described == "");
  CHECK(is_said_apart(cold));
  for (const double gain : {0.6, 1.4, 2.0}) {
    CAPTURE(gain);
    CHECK(second_run_times(gain).not_described.find("run 2 has") != std::string::npos);
  }
}

TEST_CASE("of two starts that disagree the inertia is asked about") {
  // T = 0.3·(1 − ω/1050) N·m on J: ω = 1050·(1 − exp(−t/τ)), τ = 1050·J/0.3.
  const auto told = [](double factor) {
    tests::ScratchBook scratch;
    const Part motor = tests::add_part(scratch.book(), PartKind::kMotor, "M");
    for (const double inertia : {1.2e-3, 2e-3}) {
      Run run;
      run.kind = RunKind::kSpinUp;
      run.motor = motor.id;
      run.supply_v = 230;
      run.inertia_kgm2 = inertia > 1.5e-3 ? factor * inertia : inertia;
      std::vector<ImportedReading> rows;
      for (int i = 0; i < 240; ++i) {
        ImportedReading row;
        row.time_s = i / 20.0;
        row.motor_rpm = 1050 * -std::expm1(-row.time_s * 0.3 / (1050 * inertia)) * 30 / kPi;
        rows.push_back(row);
      }
      tests::store(scratch.book(), run, rows);
    }
    return fit_motor(scratch.book(), motor, {});
  };
  const MotorFit sound = told(1);
  CHECK(sound.not_described == "");
  CHECK_FALSE(is_said_apart(sound));
  CHECK(is_said_apart(told(1.15)));
  CHECK(told(1.4).not_described.find("inertia of a spin-up") != std::string::npos);
}

TEST_CASE("a sound run passes, also with a plate that is off by half") {
  const auto nothing = [](std::size_t, ImportedReading&) {};
  CHECK(verdict(nothing, 80) == "");
  CHECK(verdict(nothing, 40) == "");
  CHECK(verdict(nothing, 160) == "");
}

TEST_CASE("a cell whose sign is reversed") {
  CHECK(verdict([](std::size_t, ImportedReading& row) { row.torque_nm = -row.torque_nm; }, 80)
            .find("sign") != std::string::npos);
}

TEST_CASE("a channel that drops out for every third value") {
  CHECK(verdict(
            [](std::size_t i, ImportedReading& row) {
              if (i % 3 == 0) row.torque_nm = 0;
            },
            80) != "");
}

TEST_CASE("torque in mN·m taken for N·m") {
  CHECK(
      verdict([](std::size_t, ImportedReading& row) { row.torque_nm *= 1000; }, 80).find("units") !=
      std::string::npos);
}
