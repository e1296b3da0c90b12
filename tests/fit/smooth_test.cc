// The smooth motor curve: against SciPy's smoothing spline, against shapes whose equation is known,
// and where it must refuse.
#include "fit/curves/smooth.h"
#include "db/basis/students_t.h"

#include <doctest/doctest.h>

#include <Eigen/Cholesky>
#include <cmath>
#include <functional>
#include <limits>
#include <random>
#include <vector>

#include "db/basis/error.h"
#include "fit/curves/curve.h"
#include "fit/readings/noise/noise.h"

using Eigen::VectorXd;
using loadline::fit_smooth;
using loadline::SmoothFit;
using loadline::SmoothOptions;

namespace {

using Shape = std::function<double(double)>;

double series(double w) { return 1.6e5 / ((w + 700) * (w + 700) + 560.0 * 560.0); }
double straight(double w) { return 0.2 * (1 - w / 1300); }
/// Kloss: 2Tb/(s/sb + sb/s) with Tb = 0.3 N·m at s = 0.2, synchronous at 314.16 rad/s.
double kloss(double w) {
  const double s = 1 - w / 314.16;
  return 2 * 0.3 / (s / 0.2 + 0.2 / s);
}

struct Points {
  std::vector<double> speed, torque;
};

/// A sweep with noise of standard deviation `sd` and autocorrelation `rho` per point.
Points sweep(const Shape& shape, double low, double high, int count, double sd, double rho,
             unsigned seed) {
  std::mt19937 random(seed);
  std::normal_distribution<double> normal;
  Points points;
  double noise = normal(random);
  for (int i = 0; i < count; ++i) {
    const double speed = low + (high - low) * i / (count - 1);
    points.speed.push_back(speed);
    points.torque.push_back(shape(speed) + sd * noise);
    noise = rho * noise + std::sqrt(1 - rho * rho) * normal(random);
  }
  return points;
}

struct Coverage {
  double share = 0;       ///< of truths inside f ± t·sd, over the range and the seeds
  double parameters = 0;  ///< mean effective parameters
};

Coverage coverage(const Shape& shape, double rho, double correlation_factor) {
  int inside = 0, all = 0;
  Coverage result;
  constexpr int kSeeds = 150;
  for (unsigned seed = 1; seed <= kSeeds; ++seed) {
    const Points points = sweep(shape, 20, 1200, 400, 0.004, rho, seed);
    const SmoothFit fit = fit_smooth(points.speed, points.torque, {}, correlation_factor);
    result.parameters += fit.effective_parameters / kSeeds;
    const auto curve = fit.equation();
    const double factor = loadline::student_t_975(fit.degrees_of_freedom);
    for (double w = 50; w < 1190; w += 60) {
      const VectorXd g = curve->gradient(fit.parameters, w);
      const double half = factor * std::sqrt(g.dot(fit.covariance * g));
      inside += std::abs(curve->torque(fit.parameters, w) - shape(w)) <= half;
      ++all;
    }
  }
  result.share = static_cast<double>(inside) / all;
  return result;
}

}  // namespace

TEST_CASE("at the same smoothing it is SciPy's smoothing spline") {
  // scipy.interpolate.make_smoothing_spline(w, y, lam=…), SciPy 1.10.1, with w = 20 + 12i,
  // y = 1.6e5/((w+700)²+560²) + 0.01·(frac(0.6180339887498949·i) − 0.5), i = 0 … 99. It has a knot
  // at every point, ours fewer: agreement to 1 % of the scatter (0.0029 N·m).
  Points points;
  for (int i = 0; i < 100; ++i) {
    points.speed.push_back(20 + 12.0 * i);
    points.torque.push_back(series(points.speed.back()) +
                            0.01 * (std::fmod(i * 0.6180339887498949, 1.0) - 0.5));
  }
  const double at[] = {20, 95, 300, 617, 1000, 1208};
  struct Reference {
    double lambda, torque[6], slope[6];
  };
  const Reference references[] = {
      {1e6,
       {0.189368950, 0.169202809, 0.121949266, 0.078274739, 0.049852569, 0.040117301},
       {-2.691371e-04, -2.662679e-04, -1.899009e-04, -9.755147e-05, -5.532733e-05, -4.322931e-05}},
      {1e8,
       {0.178509983, 0.163794181, 0.125270643, 0.079912742, 0.048919769, 0.036647325},
       {-1.964119e-04, -1.956643e-04, -1.751602e-04, -1.097635e-04, -6.181137e-05, -5.795041e-05}}};
  for (const Reference& reference : references) {
    SmoothOptions options;
    options.lambda = reference.lambda;
    options.intervals = 99;
    options.decreasing = false;
    const SmoothFit fit = fit_smooth(points.speed, points.torque, {}, 1, options);
    const auto curve = fit.equation();
    for (int i = 0; i < 6; ++i) {
      CAPTURE(at[i]);
      CHECK(curve->torque(fit.parameters, at[i]) ==
            doctest::Approx(reference.torque[i]).epsilon(1e-7));
      CHECK(curve->slope(fit.parameters, at[i]) ==
            doctest::Approx(reference.slope[i]).epsilon(1e-4));
    }
    options.intervals = 24;
    const SmoothFit coarse = fit_smooth(points.speed, points.torque, {}, 1, options);
    for (int i = 0; i < 6; ++i)
      CHECK(std::abs(coarse.equation()->torque(coarse.parameters, at[i]) - reference.torque[i]) <
            2.9e-5);
  }
}

TEST_CASE("its interval holds a known curve as often as it says") {
  // 150 sweeps, 19 speeds each, strongly dependent within a sweep: about 150·5 independent looks.
  SUBCASE("series motor, independent noise") {
    const Coverage got = coverage(series, 0, 1);
    CHECK(got.share > 0.92);
    CHECK(got.share < 0.98);
  }
  SUBCASE("series motor, correlated noise") {
    // An autoregression with ρ has g = (1+ρ)/(1−ρ): 9 for 0.8 (any text on time series).
    const Coverage got = coverage(series, 0.8, 9);
    CHECK(got.share > 0.92);
    CHECK(got.share < 0.98);
  }
  SUBCASE("straight line, correlated noise") {
    const Coverage got = coverage(straight, 0.8, 9);
    CHECK(got.share > 0.91);
    CHECK(got.parameters < 3.2);
  }
  SUBCASE("taking correlated noise for independent follows it and claims too much") {
    const Coverage got = coverage(straight, 0.8, 1);
    CHECK(got.share < 0.85);
    CHECK(got.parameters > 5);
  }
}

TEST_CASE("it never rises, whatever the noise") {
  for (unsigned seed = 1; seed <= 30; ++seed) {
    const Points points = sweep(straight, 20, 1200, 60, 0.03, 0.9, seed);
    const SmoothFit fit = fit_smooth(points.speed, points.torque, {}, 1);
    const auto curve = fit.equation();
    for (double w = 20; w <= 1200; w += 5) REQUIRE(curve->slope(fit.parameters, w) <= 1e-12);
  }
}

TEST_CASE("the decreasing fit is the best among decreasing ones") {
  // Karush–Kuhn–Tucker by trial: no small step that keeps the order lowers the penalised sum.
  const Points points = sweep(straight, 20, 1200, 60, 0.05, 0.9, 5);
  SmoothOptions options;
  options.lambda = 1e3;
  const SmoothFit fit = fit_smooth(points.speed, points.torque, {}, 1, options);
  options.decreasing = false;
  const SmoothFit free = fit_smooth(points.speed, points.torque, {}, 1, options);
  REQUIRE(fit.rise_evidence > 1);
  // The penalised sum is, up to a constant, (c − free)ᵀ covariance⁻¹ (c − free).
  const auto cost = [&](const VectorXd& c) {
    const VectorXd d = c - free.parameters;
    return d.dot(free.covariance.ldlt().solve(d));
  };
  const double least = cost(fit.parameters);
  CHECK(least == doctest::Approx(fit.rise_evidence).epsilon(1e-6));
  std::mt19937 random(1);
  std::normal_distribution<double> normal;
  for (int trial = 0; trial < 2000; ++trial) {
    VectorXd c = fit.parameters;
    for (Eigen::Index j = 0; j < c.size(); ++j) c[j] += 1e-4 * normal(random);
    for (Eigen::Index j = 1; j < c.size(); ++j) c[j] = std::min(c[j], c[j - 1]);
    REQUIRE(cost(c) >= least * (1 - 1e-9));
  }
}

TEST_CASE("a motor whose torque rises with speed is told from noise") {
  const Points rising = sweep(kloss, 10, 300, 300, 0.003, 0, 1);
  CHECK(fit_smooth(rising.speed, rising.torque, {}, 1).rise_evidence > 100);
  int alarms = 0;
  for (unsigned seed = 1; seed <= 100; ++seed) {
    const Points falling = sweep(series, 20, 1200, 300, 0.004, 0, seed);
    alarms += fit_smooth(falling.speed, falling.torque, {}, 1).rise_evidence > 10;
  }
  CHECK(alarms <= 2);
}

TEST_CASE("it says nothing outside the measured range") {
  const Points points = sweep(series, 100, 900, 100, 0.001, 0, 1);
  const SmoothFit fit = fit_smooth(points.speed, points.torque, {}, 1);
  const auto curve = fit.equation();
  CHECK(std::isnan(curve->torque(fit.parameters, 0)));
  CHECK(std::isnan(curve->torque(fit.parameters, 99)));
  CHECK(std::isnan(curve->torque(fit.parameters, 901)));
  CHECK(std::isnan(curve->slope(fit.parameters, 901)));
  CHECK(curve->gradient(fit.parameters, 99).array().isNaN().all());
  CHECK(curve->torque(fit.parameters, 100) == doctest::Approx(series(100)).epsilon(0.02));
  CHECK(curve->torque(fit.parameters, 900) == doctest::Approx(series(900)).epsilon(0.02));
}

TEST_CASE("slope and gradient are the derivatives of torque") {
  const Points points = sweep(series, 100, 900, 100, 0.001, 0, 1);
  const SmoothFit fit = fit_smooth(points.speed, points.torque, {}, 1);
  const auto curve = fit.equation();
  for (double w = 110; w < 890; w += 37) {
    const double slope =
        (curve->torque(fit.parameters, w + 0.01) - curve->torque(fit.parameters, w - 0.01)) / 0.02;
    CHECK(curve->slope(fit.parameters, w) == doctest::Approx(slope).epsilon(1e-6));
    // Linear in its parameters: gradient·c is the torque itself.
    CHECK(curve->gradient(fit.parameters, w).dot(fit.parameters) ==
          doctest::Approx(curve->torque(fit.parameters, w)).epsilon(1e-12));
  }
}

TEST_CASE("doubling every weight changes nothing but the scale") {
  const Points points = sweep(series, 20, 1200, 200, 0.004, 0, 3);
  const std::vector<double> twos(points.speed.size(), 2.0);
  const SmoothFit one = fit_smooth(points.speed, points.torque, {}, 1);
  const SmoothFit two = fit_smooth(points.speed, points.torque, twos, 1);
  CHECK((one.parameters - two.parameters).norm() < 1e-5 * one.parameters.norm());
  CHECK(two.scale == doctest::Approx(2 * one.scale).epsilon(1e-3));
  CHECK(two.covariance.trace() == doctest::Approx(one.covariance.trace()).epsilon(1e-3));
}

TEST_CASE("what makes no curve is refused with a reason") {
  const auto message = [](std::vector<double> speed, std::vector<double> torque) -> std::string {
    try {
      fit_smooth(speed, torque, {}, 1);
    } catch (const loadline::Error& error) {
      CHECK(error.fault() == loadline::Fault::kInput);
      return error.what();
    }
    return "no error";
  };
  CHECK(message({1, 2, 3}, {3, 2, 1}).find("at least 8 points") != std::string::npos);
  CHECK(message(std::vector<double>(20, 5.0), std::vector<double>(20, 1.0)).find("same speed") !=
        std::string::npos);
  std::vector<double> speed, torque(20, 1.0);
  for (int i = 0; i < 20; ++i) speed.push_back(i);
  torque[6] = std::numeric_limits<double>::quiet_NaN();
  CHECK(message(speed, torque).find("Point 7") != std::string::npos);
  CHECK(loadline::smooth_equation(1, 1, 10) == nullptr);
  CHECK(loadline::smooth_equation(0, 1, 3) == nullptr);
  CHECK(loadline::curve_equation("smooth", 0, 1, 9)->parameter_names().size() == 9);
}
