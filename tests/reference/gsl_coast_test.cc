// Coast-downs against the GNU Scientific Library, integrator and fitter: the pair of runs with and
// without added inertia is solved by gsl_odeiv2 (Runge–Kutta–Prince–Dormand 8(9)) and fitted by
// gsl_multifit_nlinear on one side, by our equation of motion and core on the other. Same noisy
// data; the estimates must agree to far below the noise.
#include <doctest/doctest.h>
#include <gsl/gsl_errno.h>
#include <gsl/gsl_odeiv2.h>

#include <cmath>
#include <memory>
#include <random>
#include <vector>

#include "fit/coast_downs/motion/coast_problem.h"
#include "fit/solver/nonlinear.h"
#include "tests/reference/gsl_fit.h"

namespace {

using Eigen::VectorXd;

constexpr double kUnit = 1e-3;  // kg·m², the unit of inertia inside the problem
constexpr double kAdded = 1.2e-3;
constexpr double kNoise = 0.05;  // rad/s of a window's mean speed

/// Drag and inertia: τ = c0 + c1 ω + c2 ω², J.
struct Shaft {
  double c0, c1, c2, inertia;
};

int motion(double /*t*/, const double y[], double slope[], void* shaft_pointer) {
  const Shaft& shaft = *static_cast<const Shaft*>(shaft_pointer);
  slope[0] = y[1];
  slope[1] = -(shaft.c0 + y[1] * (shaft.c1 + y[1] * shaft.c2)) / shaft.inertia;
  return GSL_SUCCESS;
}

/// Angles at `times` (rising, from 0 on), by GSL.
std::vector<double> angles_by_gsl(Shaft shaft, double start, const std::vector<double>& times) {
  gsl_odeiv2_system system{motion, nullptr, 2, &shaft};
  const std::unique_ptr<gsl_odeiv2_driver, decltype(&gsl_odeiv2_driver_free)> driver(
      gsl_odeiv2_driver_alloc_y_new(&system, gsl_odeiv2_step_rk8pd, 1e-3, 1e-12, 1e-13),
      gsl_odeiv2_driver_free);
  double t = 0;
  double y[2] = {0, start};
  std::vector<double> angles;
  for (const double at : times) {
    if (at > t) REQUIRE(gsl_odeiv2_driver_apply(driver.get(), &t, at, y) == GSL_SUCCESS);
    angles.push_back(y[0]);
  }
  return angles;
}

std::vector<double> even_times(int windows, double width) {
  std::vector<double> times;
  for (int i = 0; i <= windows; ++i) times.push_back(i * width);
  return times;
}

loadline::Coast noisy_coast(const Shaft& truth, double added, double start, unsigned seed) {
  std::mt19937 random(seed);
  std::normal_distribution<double> normal(0.0, kNoise);
  Shaft shaft = truth;
  shaft.inertia += added;
  const std::vector<double> times = even_times(added > 0 ? 300 : 180, 0.01);
  const std::vector<double> angles = angles_by_gsl(shaft, start, times);
  loadline::Coast coast;
  coast.added_kgm2 = added;
  coast.length_s = times.back();
  for (std::size_t i = 0; i + 1 < times.size(); ++i) {
    coast.start_s.push_back(times[i]);
    coast.end_s.push_back(times[i + 1]);
    coast.speed.push_back((angles[i + 1] - angles[i]) / (times[i + 1] - times[i]) + normal(random));
  }
  coast.speed_high = coast.speed.front();
  coast.speed_low = coast.speed.back();
  coast.windows_exact = true;
  coast.noise_sd = kNoise;
  coast.weight.assign(coast.speed.size(), 1.0);
  return coast;
}

/// The residuals as the core has them, by GSL's integrator. p = c0, c1, c2, ln(J/unit), starts.
bool residuals_by_gsl(const std::vector<loadline::Coast>& coasts, const VectorXd& p, double* r) {
  for (std::size_t j = 0; j < coasts.size(); ++j) {
    const loadline::Coast& coast = coasts[j];
    const Shaft shaft{p[0] * kUnit, p[1] * kUnit, p[2] * kUnit,
                      std::exp(p[3]) * kUnit + coast.added_kgm2};
    std::vector<double> times = coast.start_s;
    times.push_back(coast.end_s.back());
    const auto angles = angles_by_gsl(shaft, p[4 + static_cast<Eigen::Index>(j)], times);
    for (std::size_t i = 0; i < coast.speed.size(); ++i)
      *r++ = ((angles[i + 1] - angles[i]) / (times[i + 1] - times[i]) - coast.speed[i]) / kNoise;
  }
  *r = p[3] / 3.0;  // how little is known of J beforehand, as in CoastProblem
  return true;
}

}  // namespace

TEST_CASE("a coast-down pair fitted by GSL's integrator and fitter gives the same drag") {
  const Shaft truth{0.045, 6e-4, 4e-6, 1.6e-3};
  for (unsigned seed = 1; seed <= 5; ++seed) {
    CAPTURE(seed);
    const std::vector<loadline::Coast> coasts = {noisy_coast(truth, 0, 90, 10 + seed),
                                                 noisy_coast(truth, kAdded, 92, 20 + seed)};
    const loadline::CoastProblem problem(coasts, {.ripple = false, .stribeck = false}, kUnit, {});
    const auto ours = loadline::fit_nonlinear(problem, problem.start());
    REQUIRE(ours.converged);
    const VectorXd start =
        (VectorXd(6) << 40, 0.5, 5e-3, 0.4, coasts[0].speed_high, coasts[1].speed_high).finished();
    const auto gsl = loadline::reference::fit_with_gsl(
        problem.count(),
        [&](const VectorXd& p, double* r) { return residuals_by_gsl(coasts, p, r); }, start, start);
    REQUIRE(gsl.converged);
    const auto quick = loadline::quick_fit(problem, problem.start());
    for (int j = 0; j < 6; ++j) {
      CAPTURE(j);
      const double sd = std::sqrt(gsl.inverse_normal(j, j));
      CHECK(std::abs(quick.parameters[j] - gsl.parameters[j]) < 1e-2 * sd);
      CHECK(std::abs(ours.parameters[j] - gsl.parameters[j]) < 1e-3 * sd);
      CHECK(std::sqrt(ours.inverse_normal(j, j)) == doctest::Approx(sd).epsilon(1e-3));
    }
    CHECK(ours.rss == doctest::Approx(gsl.rss).epsilon(1e-6));
    // And both lie where they should: within four standard errors of the truth.
    const double expected[] = {truth.c0 / kUnit, truth.c1 / kUnit, truth.c2 / kUnit,
                               std::log(truth.inertia / kUnit)};
    for (int j = 0; j < 4; ++j)
      CHECK(std::abs(ours.parameters[j] - expected[j]) < 4 * std::sqrt(gsl.inverse_normal(j, j)));
  }
}
