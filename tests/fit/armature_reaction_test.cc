// Motors with magnets whose line is bent: by the armature's own field, by a fan, by brushes. The
// truth is the circuit itself, V = V_b + RI + (k − aI)ω and T = (k − aI)I, solved by bisection.
#include <doctest/doctest.h>

#include <cmath>
#include <numbers>

#include "fit/equations/motor_equation.h"
#include "fit/motors/motor_fit.h"
#include "tests/support/bench_rows.h"
#include "tests/support/scratch_book.h"

using namespace loadline;

namespace {

struct Circuit {
  double volts = 24, k_flux = 0.03, ohms = 2.4;
  double weakens = 0;                            ///< a, V·s/A
  double brush_v = 0, friction_nm = 0, fan = 0;  ///< fan: N·m·s²

  double current(double speed) const {
    double low = 0, high = volts / ohms;
    for (int i = 0; i < 60; ++i) {
      const double middle = (low + high) / 2;
      const double left = volts - brush_v * std::tanh(middle / 0.05) - ohms * middle -
                          (k_flux - weakens * middle) * speed;
      (left > 0 ? low : high) = middle;
    }
    return low;
  }
  double torque(double speed) const {
    const double i = current(speed);
    return (k_flux - weakens * i) * i - friction_nm - fan * speed * speed;
  }
  Circuit warmer(double kelvin) const {
    Circuit warm = *this;
    warm.ohms *= 1 + 0.00393 * kelvin;  // copper (IEC 60028, from memory)
    return warm;
  }
};

struct Truth {
  double stall, no_load = 0, peak = 0, peak_speed = 0;
  explicit Truth(const Circuit& motor) : stall(motor.torque(0)) {
    for (double w = 0.1; motor.torque(w) > 0; w += 0.1) {
      no_load = w;
      if (w * motor.torque(w) <= peak) continue;
      peak = w * motor.torque(w);
      peak_speed = w;
    }
  }
};

// Twice down and up, while the winding warms by so much; the magnets stay cool. The cell is late.
MotorFit braked(const Circuit& motor, double kelvin, unsigned seed, const std::string& type = "") {
  const double seconds = 40, lag = 0.025;
  tests::BrakeBench bench;
  bench.top = Truth(motor.warmer(kelvin)).no_load - 2;
  bench.lowest = 60;
  bench.seconds = seconds / 2;
  tests::RememberingNoise wander(0.0005, 0.6, seed);
  std::vector<ImportedReading> rows;
  for (double t = 0.05; t < seconds; t += 0.05) {
    const double then = t - lag;
    ImportedReading row;
    row.time_s = t;
    row.motor_rpm = bench.mean_speed(t - 0.05, t) * tests::kRpm;
    row.torque_nm = motor.warmer(kelvin * then / seconds).torque(bench.speed(then)) -
                    bench.inertia * bench.acceleration(then) + wander();
    rows.push_back(row);
  }
  tests::ScratchBook scratch;
  Part part = tests::add_part(scratch.book(), PartKind::kMotor, "M");
  if (!type.empty()) part.fields["type"] = type;
  scratch.book().update(part);
  Run run;
  run.kind = RunKind::kBrake;
  run.inertia_kgm2 = bench.inertia;
  run.motor = part.id;
  tests::store(scratch.book(), run, rows);
  return fit_motor(scratch.book(), part);
}

void holds(const Estimate& result, double truth, double unit = 1) {
  REQUIRE(result.low);
  CHECK(*result.low < truth * unit);
  CHECK(*result.high > truth * unit);
  CHECK(*result.high < 1.15 * *result.low);
}

void holds_all(const MotorFit& fit, const Truth& truth) {
  CHECK(fit.not_described == "");
  holds(fit.stall_torque, truth.stall);
  holds(fit.no_load_speed, truth.no_load, tests::kRpm);
  holds(fit.peak_power, truth.peak);
  holds(fit.peak_power_speed, truth.peak_speed, tests::kRpm);
}

}  // namespace

TEST_CASE("Armature reaction: the equation is the circuit's, at any supply and warmth") {
  Circuit motor;
  motor.weakens = 0.0006;
  const MotorEquation* const equation = motor_equation("armature-reaction");
  REQUIRE(equation);
  const auto shape = equation->shape({1, 800, 0}, std::nullopt);
  const double share = motor.weakens * motor.volts / (motor.ohms * motor.k_flux);
  const Eigen::Vector3d p(motor.torque(0), motor.volts / motor.k_flux, share);
  for (const double volts : {1.0, 0.8})
    for (const double heat : {0.0, 0.2})
      for (const double speed : {0.0, 100.0, 400.0, 600.0}) {
        Circuit other = motor;
        other.volts *= volts;
        other.ohms *= 1 + heat;
        CHECK(shape->torque(p, speed, volts, heat) ==
              doctest::Approx(other.torque(speed)).epsilon(1e-9));
      }
}

TEST_CASE("A motor whose armature bends its line is followed, whether its type is entered or not") {
  Circuit motor;
  motor.weakens = 0.0006;  // a fifth of the flux at standstill
  for (const char* const type : {"", "permanent-magnet"}) {
    const MotorFit fit = braked(motor, 0, 3, type);
    CHECK(fit.curve.model == "armature-reaction");
    holds_all(fit, Truth(motor));
  }
}

TEST_CASE(
    "A motor with magnets that stay cool, brushes, a fan and a warming winding is no series "
    "motor") {
  Circuit motor;
  motor.brush_v = 1.5;
  motor.friction_nm = 0.003;
  motor.fan = 2.5e-8;
  const MotorFit fit = braked(motor, 30, 4);
  CHECK(fit.curve.model == "armature-reaction");
  holds_all(fit, Truth(motor.warmer(15)));
}

TEST_CASE("A straight line stays one") {
  const Circuit motor;
  const MotorFit fit = braked(motor, 0, 5);
  CHECK(fit.curve.model == "permanent-magnet");
  holds_all(fit, Truth(motor));
}
