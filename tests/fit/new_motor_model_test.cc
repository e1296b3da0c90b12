// The worked example of DEVELOPERS.md, "How to add a motor model": an equation of one's own, from
// its formula to a fitted curve with intervals. A repulsion-start or shaded-pole motor with a fan
// on its shaft is near enough to a straight line less a square.
#include <doctest/doctest.h>

#include <cmath>

#include "fit/curves/shape_of.h"
#include "fit/curves/sweep_fit.h"
#include "tests/support/bench_rows.h"
#include "tests/support/scratch_book.h"

using namespace loadline;

namespace {

// 1. The equation, once, for numbers and for Ceres' dual numbers. p = Ts, ωₙ, f:
//    T(ω) = Ts(v² − ω/ωₙ) − f·ω². Warmth takes its share of the electromagnetic part.
struct FannedEquation {
  static constexpr int kParameters = 3;
  template <typename T>
  static T torque(const T* p, const T& w, double v, const T& heat) {
    return p[0] * (v * v - w / p[1]) * (1.0 - heat) - p[2] * w * w;
  }
};

// 2. The shape: starts that lie within the reach of the fit, from the size of the data.
class FannedShape final : public LogShape<FannedEquation> {
 public:
  using LogShape::LogShape;
  std::string name() const override { return "fanned"; }
  std::vector<Eigen::VectorXd> starts() const override {
    const double fan = 0.1 * scale_.torque / (scale_.speed * scale_.speed);
    return {Eigen::Vector3d(std::log(scale_.torque), std::log(1.1 * scale_.speed), std::log(fan))};
  }
};

}  // namespace

TEST_CASE("a motor model of one's own is fitted with lag, inertia, drift and intervals") {
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
  run.id = tests::store(scratch.book(), run, bench.rows());

  // 3. The fit takes any shape; the library's own are made by their names in motor_shape().
  Readings readings = load_readings(scratch.book(), run.id);
  SmoothSpeed speed(readings.motor);
  const BenchRun ready{std::move(readings), std::move(speed)};
  SweepFitInput input;
  input.runs = {&ready};
  input.reference_v = std::nan("");
  const auto fit = fit_sweeps(
      [](const SweepScale& scale) { return std::make_unique<FannedShape>(scale); }, input);
  REQUIRE(fit->usable);
  REQUIRE(settle(*fit));

  // 4. What must come out: the formula's own numbers, within what the fit says of itself.
  const Eigen::Matrix3d covariance = fit->natural_by_internal *
                                     fit->covariance.topLeftCorner<3, 3>() *
                                     fit->natural_by_internal.transpose();
  const double truth[] = {0.3, 900, 6e-8};
  for (int i = 0; i < 3; ++i) {
    CAPTURE(i);
    const double sd = std::sqrt(covariance(i, i));
    CHECK(std::fabs(fit->natural[i] - truth[i]) < 4 * sd);
    CHECK(sd < 0.2 * truth[i]);
  }
}
