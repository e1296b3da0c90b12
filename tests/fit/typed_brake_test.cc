// A notebook of points against a brake: torque from a spring balance, speed from a hand tachometer,
// no times. The motor is a straight line, 1 N·m at standstill and 10,000 rpm without load.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <random>

#include "fit/motors/motor_fit.h"
#include "tests/support/bench_rows.h"
#include "tests/support/scratch_book.h"

using namespace loadline;

namespace {

constexpr double kStall = 1.0, kFree = 10000;

MotorFit fit_points(int points, double torque_sd, double speed_sd, unsigned seed) {
  std::mt19937 random(seed);
  std::normal_distribution<double> normal;
  tests::ScratchBook scratch;
  const Part motor = tests::add_part(scratch.book(), PartKind::kMotor, "M");
  Run run;
  run.kind = RunKind::kBrake;
  run.steady = true;
  run.motor = motor.id;
  run.supply_v = 230;
  std::vector<ImportedReading> rows;
  for (int i = 0; i < points; ++i) {
    const double rpm = kFree * (0.98 - 0.83 * i / (points - 1));
    ImportedReading row;
    row.time_s = i + 1;
    row.motor_rpm = std::round(rpm * (1 + speed_sd * normal(random)));
    row.torque_nm =
        std::round((kStall * (1 - rpm / kFree) + torque_sd * normal(random)) * 1000) / 1000;
    rows.push_back(row);
  }
  tests::store(scratch.book(), run, rows);
  MotorFitOptions options;
  options.model = "permanent-magnet";
  return fit_motor(scratch.book(), motor, options);
}

}  // namespace

TEST_CASE("eight points typed from a notebook give a curve that holds the truth") {
  int held_stall = 0, held_free = 0;
  std::vector<double> widths;
  constexpr int kNotebooks = 40;
  for (unsigned seed = 1; seed <= kNotebooks; ++seed) {
    const MotorFit fit = fit_points(8, 0.005, 0.002, seed);
    CAPTURE(seed);
    REQUIRE(fit.stall_torque.low.has_value());
    REQUIRE(fit.no_load_speed.low.has_value());
    held_stall += *fit.stall_torque.low <= kStall && kStall <= *fit.stall_torque.high ? 1 : 0;
    held_free += *fit.no_load_speed.low <= kFree && kFree <= *fit.no_load_speed.high ? 1 : 0;
    widths.push_back((*fit.stall_torque.high - *fit.stall_torque.low) / 2);
  }
  // With a coverage of 95 % fewer than 34 of 40 hold the truth in 0.3 % of cases (binomial).
  CHECK(held_stall >= 34);
  CHECK(held_free >= 34);
  // Ordinary least squares, by hand: eight points spread evenly over 0.83 of the line, 0.005 N·m
  // each, told at standstill 0.565 from their mean: 0.005·√(1/8 + 0.565²/0.59), times
  // t(0.975; 6) = 2.447: 0.0100 N·m. The rest is what the straight line leaves open in motors that
  // are none, below the speeds that were measured; all together eight times as much is the most
  // that is of use.
  std::nth_element(widths.begin(), widths.begin() + kNotebooks / 2, widths.end());
  CHECK(widths[kNotebooks / 2] < 0.08);
}

TEST_CASE("points without any scatter are not taken for old values") {
  const MotorFit fit = fit_points(20, 0, 0, 1);
  CHECK(*fit.stall_torque.value == doctest::Approx(kStall).epsilon(0.005));
  CHECK(*fit.no_load_speed.value == doctest::Approx(kFree).epsilon(0.005));
}
