// A permanent-magnet motor that is warmer than it was measured, or warms as it is, from its
// circuit.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "fit/motor_runs/winding_temperature.h"
#include "fit/motors/motor_fit.h"
#include "tests/support/bench_rows.h"
#include "tests/support/scratch_book.h"

using namespace loadline;

TEST_CASE("Warm magnets: less torque at standstill, a higher speed without load") {
  // Circuit on direct current: T₀ = kΦ·V/R, ωₙ = V/(kΦ) (any machines text). From 20 to 60 °C
  // copper gains 0.393 % a kelvin (IEC 60028, from memory), ferrite loses 0.2 % of its flux a
  // kelvin (handbooks, from memory).
  const double volts = 24, k_flux = 0.03, ohms = 2.4, kelvin = 40;
  Curve curve =
      Curve::of_equation("permanent-magnet", Eigen::Vector2d(k_flux * volts / ohms, volts / k_flux),
                         Eigen::Matrix2d::Zero());
  move_to_winding(curve, {20, 0}, 20 + kelvin);
  const double warm_flux = k_flux * (1 - 0.002 * kelvin), warm_ohms = ohms * (1 + 0.00393 * kelvin);
  CHECK(curve.parameters[0] == doctest::Approx(warm_flux * volts / warm_ohms).epsilon(1e-9));
  CHECK(curve.parameters[1] == doctest::Approx(volts / warm_flux).epsilon(1e-9));
  // What a kelvin costs is known to three tenths of itself: both parameters carry that, opposed.
  const double relative = 0.3 * 0.002 * kelvin / (1 - 0.002 * kelvin);
  CHECK(std::sqrt(curve.covariance(1, 1)) / curve.parameters[1] ==
        doctest::Approx(relative).epsilon(1e-6));
  CHECK(curve.covariance(0, 1) < 0);
  // A series motor has no magnets: nothing but its resistance moves.
  Eigen::VectorXd p(6);
  p << 5e4, 300, 200, 0.004, 5e-6, 1e-8;
  Curve series = Curve::of_equation("series", p, Eigen::MatrixXd::Zero(6, 6));
  move_to_winding(series, {20, 0}, 60);
  CHECK(series.parameters[1] == doctest::Approx(300 * (1 + 0.00393 * kelvin)).epsilon(1e-9));
  CHECK(series.parameters[0] == 5e4);
}

namespace {

// A brake run of two minutes on 24 V: flux falls by `per_k` of itself for each kelvin of the case,
// which warms by 30 K; the winding by 40 K (resistance as copper's).
std::vector<ImportedReading> warming_run(double per_k) {
  const double volts = 24, k_flux = 0.03, ohms = 2.4, seconds = 120, lag = 0.025;
  tests::BrakeBench bench;
  bench.top = 760;
  bench.lowest = 60;
  bench.seconds = 20;
  tests::RememberingNoise wander(0.001, 0.6, 5);
  std::vector<ImportedReading> rows;
  for (double t = 0.05; t < seconds; t += 0.05) {
    const auto torque = [&](double at) {
      const double flux = k_flux * (1 + per_k * 30 * at / seconds);
      const double resistance = ohms * (1 + 0.00393 * 40 * at / seconds);
      return flux * (volts - flux * bench.speed(at)) / resistance;
    };
    ImportedReading row;
    row.time_s = t;
    row.motor_rpm = bench.mean_speed(t - 0.05, t) * tests::kRpm;
    row.torque_nm = torque(t - lag) - bench.inertia * bench.acceleration(t - lag) + wander();
    row.supply_v = volts;
    row.temperature_c = 20 + 30 * t / seconds;
    rows.push_back(row);
  }
  return rows;
}

}  // namespace

TEST_CASE("What a run with a sensor on the case shows of its magnets moves what is usual") {
  for (const double per_k : {-0.0008, -0.0035}) {
    CAPTURE(per_k);
    tests::ScratchBook scratch;
    Part motor = tests::add_part(scratch.book(), PartKind::kMotor, "M");
    motor.fields["type"] = std::string("permanent-magnet");
    scratch.book().update(motor);
    Run run;
    run.kind = RunKind::kBrake;
    run.inertia_kgm2 = 1e-4;
    run.motor = motor.id;
    tests::store(scratch.book(), run, warming_run(per_k));
    MotorFitOptions options;
    options.model = "permanent-magnet";
    const MotorFit as_run = fit_motor(scratch.book(), motor, options);
    REQUIRE(as_run.findings.front().flux.value);
    CHECK(*as_run.findings.front().flux.value == doctest::Approx(100 * 30 * per_k).epsilon(0.15));
    options.winding_c = 40;
    options.at_winding_c = 100;
    const MotorFit warm = fit_motor(scratch.book(), motor, options);
    // ωₙ = V/(kΦ): nearer to the run's own loss of flux than to 0.2 % a kelvin, as far as one run
    // of two minutes can tell it from the winding's warmth.
    const double as_seen = 1 / (1 + 60 * per_k), usual = 1 / (1 - 60 * 0.002);
    const double moved = warm.curve.parameters[1] / as_run.curve.parameters[1];
    CHECK(std::fabs(moved - as_seen) < 0.6 * std::fabs(usual - as_seen));
  }
}

// The same motor, its flux and its winding along an S of their own; switched off at the end, where
// a supply channel follows with 0.1 s.
TEST_CASE("Magnets warm along a course of their own; volts of a switch-off are no supply") {
  const double volts = 24, k_flux = 0.03, ohms = 2.4, seconds = 60, lag = 0.025, kelvin = 30;
  tests::BrakeBench bench;
  bench.top = 760;
  bench.lowest = 60;
  bench.seconds = 20;
  const auto net = [&](double w, double share) {
    const double flux = k_flux * (1 - 0.002 * kelvin * share);
    return flux * (volts - flux * w) / (ohms * (1 + 0.00393 * kelvin * share));
  };
  const auto share = [&](double t) { return 0.5 - 0.5 * std::cos(std::numbers::pi * t / seconds); };
  tests::RememberingNoise wander(0.0005, 0.6, 5);
  std::vector<ImportedReading> rows;
  for (double t = 0.05; t < seconds + 2; t += 0.05) {
    const double off = std::max(0.0, t - seconds), then = t - lag;
    ImportedReading row;
    row.time_s = t;
    row.motor_rpm = bench.mean_speed(t - 0.05, t) * tests::kRpm * std::exp(-off / 3);
    row.torque_nm = off > 0 ? wander()
                            : net(bench.speed(then), share(then)) -
                                  bench.inertia * bench.acceleration(then) + wander();
    row.supply_v = volts * std::exp(-off / 0.1);
    rows.push_back(row);
  }
  tests::ScratchBook scratch;
  const Part motor = tests::add_part(scratch.book(), PartKind::kMotor, "M");
  Run run;
  run.kind = RunKind::kBrake;
  run.inertia_kgm2 = bench.inertia;
  run.motor = motor.id;
  tests::store(scratch.book(), run, rows);
  const MotorFit fit = fit_motor(scratch.book(), motor);
  CHECK(fit.not_described == "");
  CHECK(fit.curve.model == "permanent-magnet");
  CHECK(*fit.stall_torque.value == doctest::Approx(net(0, 0.5)).epsilon(0.01));
  double peak = 0, no_load = 0;
  for (double w = 1; net(w, 0.5) > 0; w += 0.1) {
    peak = std::max(peak, w * net(w, 0.5));
    no_load = w;
  }
  CHECK(*fit.no_load_speed.value == doctest::Approx(no_load * tests::kRpm).epsilon(0.01));
  CHECK(*fit.peak_power.low < peak);
  CHECK(*fit.peak_power.high > peak);
  CHECK(*fit.peak_power.high < 1.05 * peak);
  // Rows that are told a tenth of the volts too little lack a tenth of the standstill torque.
  CHECK(*fit.no_load_speed.high < 1.04 * *fit.no_load_speed.value);
}
