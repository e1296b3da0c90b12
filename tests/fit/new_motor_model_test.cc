// The worked example of DEVELOPERS.md, "How to add a motor model": an equation of one's own, from
// its formula to a stored curve with intervals that moves to another supply. A repulsion-start or
// shaded-pole motor with a fan on its shaft is near enough to a straight line less a square.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>

#include "fit/drive/load_lines/supply.h"
#include "fit/equations/described.h"
#include "fit/motors/motor_fit.h"
#include "tests/support/bench_rows.h"
#include "tests/support/scratch_book.h"

using namespace loadline;

namespace {

// All that there is to write, some twenty lines, in the library a file of its own: the equation,
// once, for numbers and for Ceres' dual numbers …
struct FannedEquation {  // p = Ts, ωₙ, f: T(ω) = Ts(v² − ω/ωₙ) − f·ω²
  static constexpr int kParameters = 3;
  template <typename T>
  static T torque(const T* p, const T& w, double v, const T& heat) {
    return p[0] * (v * v - w / p[1]) * (1.0 - heat) - p[2] * w * w;
  }
};
// … starts within the reach of the fit, from the size of the data …
struct FannedShape final : LogShape<FannedEquation> {
  using LogShape::LogShape;
  std::vector<Eigen::VectorXd> starts() const override {
    const double fan = 0.1 * scale_.torque / (scale_.speed * scale_.speed);
    return {Eigen::Vector3d(std::log(scale_.torque), std::log(1.1 * scale_.speed), std::log(fan))};
  }
};
// … and its row of the table. At r times the voltage v² gains r²: Ts goes with V², and so does ωₙ,
// for the slope Ts/ωₙ stays.
MotorEquation fanned_motor() {
  return described<FannedShape>(
      {.name = "fanned",
       .parameters = {{"T_s", "T_s", "N·m", "pull", true, 1, 2},
                      {"w_n", "ω_n", "rad/s", "speed without load and fan", true, 0, 2},
                      {"fan", "f", "N·m·s²", "the fan on the shaft", true, 1}}});
}

}  // namespace

TEST_CASE("a motor model of one's own: fitted, chosen, stored, read, moved to another supply") {
  add_motor_equation(fanned_motor());
  tests::BrakeBench bench;
  bench.torque = [](double w) { return 0.3 * (1 - w / 900) - 6e-8 * w * w; };
  bench.top = 700;
  bench.noise = 0.002;
  tests::ScratchBook scratch;
  const Part motor = tests::add_part(scratch.book(), PartKind::kMotor, "M");
  Run run;
  run.kind = RunKind::kBrake;
  run.motor = motor.id;
  run.inertia_kgm2 = bench.inertia;
  run.supply_v = 230;
  run.id = tests::store(scratch.book(), run, bench.rows());

  // It takes part in the comparison with the others.
  const MotorFit all = fit_motor(scratch.book(), motor);
  CHECK(std::any_of(all.models.begin(), all.models.end(),
                    [](const ModelTried& tried) { return tried.name == "fanned"; }));

  // Its own numbers come back, within what the fit says of itself.
  MotorFitOptions options;
  options.model = "fanned";
  const MotorFit fit = fit_motor(scratch.book(), motor, options);
  CHECK(fit.curve.model == "fanned");
  const double truth[] = {0.3, 900, 6e-8};
  for (std::size_t i = 0; i < 3; ++i) {
    CAPTURE(i);
    const Estimate& found = fit.parameters[i].second;
    CHECK(*found.low < truth[i]);
    CHECK(truth[i] < *found.high);
    CHECK(*found.high - *found.low < truth[i]);
  }

  // Stored, read, and moved: its torque at standstill goes with V², as its row says.
  const Curve read = Curve::from_stored(to_stored(fit, motor));
  CHECK(read.torque(300) == doctest::Approx(fit.curve.torque(300)).epsilon(1e-12));
  const DriveCurve there = with_voltage(DriveCurve(read), 1.1);
  CHECK(there.torque(0.0) == doctest::Approx(1.21 * read.torque(0)).epsilon(1e-9));
  CHECK_FALSE(supports_frequency(DriveCurve(read)));
}
