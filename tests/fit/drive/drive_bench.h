// Curves with known parameters for the tests of fit/drive, and a slow, obvious way to settle a
// drive.
#pragma once

#include <cmath>
#include <random>
#include <vector>

#include "fit/curves/curve.h"
#include "fit/drive/figures/question.h"

namespace loadline::test {

/// A curve measured on [low, high] rad/s, each parameter known to `relative_sd` of itself.
inline Curve curve_of(const std::string& model, const std::vector<double>& parameters, double low,
                      double high, double relative_sd = 0) {
  const Eigen::VectorXd p = Eigen::Map<const Eigen::VectorXd>(
      parameters.data(), static_cast<Eigen::Index>(parameters.size()));
  Curve curve = Curve::of_equation(model, p, (relative_sd * p).cwiseAbs2().asDiagonal());
  curve.speed_low = low;
  curve.speed_high = high;
  return curve;
}

/// T = A/((ω+ω₀)²+ωₓ²), its own drag left out.
inline Curve series_motor(double a, double omega_0, double omega_x, double high,
                          double relative_sd = 0) {
  return curve_of("series", {a, omega_0, omega_x, 0, 0, 0}, 0.02 * high, high, relative_sd);
}

inline Curve magnet_motor(double stall, double no_load, double relative_sd = 0) {
  return curve_of("permanent-magnet", {stall, no_load}, 0.02 * no_load, no_load, relative_sd);
}

inline Curve induction_motor(double breakdown, double slip_b, double synchronous) {
  return curve_of("induction", {breakdown, slip_b, synchronous}, 0.02 * synchronous, synchronous);
}

inline Curve machine_drag(double c0, double c1, double c2, double high, double relative_sd = 0) {
  return curve_of("drag", {c0, c1, c2}, 0, high, relative_sd);
}

inline DriveQuestion question_of(const Curve& motor, const Curve& machine, double ratio) {
  DriveQuestion question;
  question.motor_name = "M";
  question.machine_name = "K";
  question.motor = &motor;
  question.machine = &machine;
  question.ratio = {ratio, 0};
  return question;
}

/// A series motor and a machine such as a bench may see, by chance.
struct RandomPair {
  Curve motor, machine;
  double ratio;
};

inline RandomPair random_pair(std::mt19937_64& random, double relative_sd = 0) {
  const auto between = [&](double low, double high) {
    return std::uniform_real_distribution<double>(low, high)(random);
  };
  const double omega_0 = between(100, 500), omega_x = between(50, 500);
  const double stall = between(0.1, 0.6);
  const double a = stall * (omega_0 * omega_0 + omega_x * omega_x);
  const double high = between(800, 1200);
  const double c0 = between(0.05, 0.3), c1 = between(0, 4e-3), c2 = between(0, 2e-5);
  return {series_motor(a, omega_0, omega_x, high, relative_sd),
          machine_drag(c0, c1, c2, between(80, 150), relative_sd), between(4, 12)};
}

}  // namespace loadline::test
