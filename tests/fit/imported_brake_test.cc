// Brake runs that come as a file with few rows a second, the brake turned about at once: the speed
// has a sharp tip just where the torque at standstill is decided.
#include <doctest/doctest.h>

#include <array>
#include <random>

#include "fit/motors/motor_fit.h"
#include "tests/support/bench_rows.h"
#include "tests/support/scratch_book.h"
#include "tests/support/series_motor.h"

using namespace loadline;

TEST_CASE("imported brake runs with a sharp turn: intervals hold the truth, and are of use") {
  constexpr int kRuns = 24;
  std::mt19937 random(20261127);
  const auto between = [&](double low, double high) {
    return std::uniform_real_distribution<double>(low, high)(random);
  };
  std::array<int, 4> held{};
  std::array<double, 4> widths{};
  for (int i = 0; i < kRuns; ++i) {
    CAPTURE(i);
    const tests::SeriesMotor motor{between(0.1, 0.4), between(200, 400), between(150, 400),
                                   between(0.002, 0.008), between(4e-9, 1.2e-8)};
    const tests::MotorTruth truth(motor);
    tests::BrakeBench bench;
    bench.torque = motor;
    bench.straight = true;
    bench.top = 0.97 * truth.no_load_rpm / tests::kRpm;
    bench.lowest = between(15, 60);
    bench.seconds = between(10, 20);
    bench.rows_hz = i % 2 == 0 ? 10 : 20;
    bench.noise = 0.002 * motor.stall;
    bench.rho = 0.5;
    bench.seed = static_cast<unsigned>(i + 1);
    tests::ScratchBook scratch;
    const Part part = tests::add_part(scratch.book(), PartKind::kMotor, "M");
    Run run;
    run.kind = RunKind::kBrake;
    run.motor = part.id;
    run.inertia_kgm2 = bench.inertia;
    tests::store(scratch.book(), run, bench.rows());
    const MotorFit fit = fit_motor(scratch.book(), part);
    const auto results = tests::beside_truth(fit, truth);
    for (std::size_t k = 0; k < results.size(); ++k) {
      const auto& [estimate, value] = results[k];
      REQUIRE(estimate->low.has_value());
      REQUIRE(estimate->high.has_value());
      held[k] += *estimate->low <= value && value <= *estimate->high ? 1 : 0;
      widths[k] += (*estimate->high - *estimate->low) / 2 / value / kRuns;
    }
  }
  // With a coverage of 95 % fewer than 19 of 24 hold the truth in 0.1 % of cases; with 67 % (half
  // the width) fewer than 19 do in 85 % (binomial distribution).
  for (std::size_t k = 0; k < held.size(); ++k) {
    CAPTURE(k);
    CHECK(held[k] >= 19);
    CHECK(widths[k] < 0.05);
  }
}
