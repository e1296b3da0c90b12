// The fitting core against the GNU Scientific Library on motor sweeps: the same noisy data of a
// series motor, T = A/((ω+ω₀)²+ωₓ²), to both fitters; estimates, covariance and sum of squares must
// agree to far below the noise.
#include <doctest/doctest.h>

#include <cmath>
#include <random>
#include <vector>

#include "fit/solver/jet_residuals.h"
#include "fit/solver/nonlinear.h"
#include "tests/reference/gsl_fit.h"

namespace {

using Eigen::VectorXd;
using loadline::reference::fit_with_gsl;

template <class T>
T series_torque(const T* p, double speed) {
  const T drive = speed + p[1];
  return p[0] / (drive * drive + p[2] * p[2]);
}

struct Sweep {
  std::vector<double> speed, torque;

  template <class T>
  T operator()(const T* p, int i) const {
    const auto row = static_cast<std::size_t>(i);
    return series_torque(p, speed[row]) - torque[row];
  }
  int count() const { return static_cast<int>(speed.size()); }
};

// A small motor: 0.199 N·m at standstill, peak power near 8,560 rpm.
const double kTruth[] = {1.6e5, 700.0, 560.0};

Sweep noisy_sweep(double lowest, double noise, int points, unsigned seed) {
  std::mt19937 random(seed);
  std::normal_distribution<double> normal(0.0, noise);
  Sweep sweep;
  for (int i = 0; i < points; ++i) {
    const double speed = lowest + (1400.0 - lowest) * i / (points - 1);
    sweep.speed.push_back(speed);
    sweep.torque.push_back(series_torque(kTruth, speed) + normal(random));
  }
  return sweep;
}

void compare(const Sweep& sweep, const VectorXd& start) {
  const loadline::JetResiduals<3, Sweep> residuals(sweep.count(), sweep);
  const auto ours = loadline::fit_nonlinear(residuals, start);
  const auto gsl = fit_with_gsl(
      sweep.count(),
      [&](const VectorXd& p, double* r) {
        for (int i = 0; i < sweep.count(); ++i) r[i] = sweep(p.data(), i);
        return true;
      },
      start, start);
  REQUIRE(gsl.converged);
  // What the passes of a fit go by: to a hundredth of a standard error.
  const auto quick = loadline::quick_fit(residuals, start, {.max_iterations = 100});
  for (int j = 0; j < 3; ++j)
    CHECK(std::abs(quick.parameters[j] - gsl.parameters[j]) <
          1e-2 * std::sqrt(gsl.inverse_normal(j, j) * gsl.rss / (sweep.count() - 3)));
  CHECK(ours.converged);
  CHECK(ours.rss == doctest::Approx(gsl.rss).epsilon(1e-10));
  const VectorXd sd = ours.naive_sd();
  const double s2 = gsl.rss / (sweep.count() - 3);
  for (int j = 0; j < 3; ++j) {
    CAPTURE(j);
    const double gsl_sd = std::sqrt(gsl.inverse_normal(j, j) * s2);
    CHECK(std::abs(ours.parameters[j] - gsl.parameters[j]) < 1e-5 * gsl_sd);
    CHECK(sd[j] == doctest::Approx(gsl_sd).epsilon(1e-5));
    for (int i = 0; i < j; ++i)
      CHECK(ours.inverse_normal(i, j) == doctest::Approx(gsl.inverse_normal(i, j)).epsilon(1e-5));
  }
}

}  // namespace

TEST_CASE("sweeps from near standstill agree with GSL") {
  const VectorXd start = (VectorXd(3) << 1e5, 400, 400).finished();
  for (unsigned seed = 1; seed <= 20; ++seed) {
    CAPTURE(seed);
    compare(noisy_sweep(15, 0.002, 400, seed), start);
  }
}

TEST_CASE("sweeps that never came near standstill agree with GSL") {
  // Here A, ω₀ and ωₓ are nearly dependent: the valley is long and flat.
  const VectorXd start = (VectorXd(3) << 1.3e5, 600, 500).finished();
  for (unsigned seed = 1; seed <= 20; ++seed) {
    CAPTURE(seed);
    compare(noisy_sweep(400, 0.0002, 400, seed), start);
  }
}
