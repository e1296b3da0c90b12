// A permanent-magnet motor that is warmer than it was measured, from its circuit.
#include <doctest/doctest.h>

#include <cmath>

#include "fit/curves/winding_temperature.h"

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
