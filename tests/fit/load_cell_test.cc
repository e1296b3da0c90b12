#include "fit/readings/load_cell.h"

#include <doctest/doctest.h>

#include <cmath>
#include <random>

#include "../reference/nist_file.h"
#include "db/basis/error.h"

using namespace loadline;

namespace {

// A cell of 1000 counts/N with zero at 5000, optional curvature, loop and noise.
struct Cell {
  double curvature = 0;  // counts/N²
  double loop = 0;       // counts between down and up at mid scale
  double noise = 0;      // counts, standard deviation
};

std::vector<LoadPoint> hang(const Cell& cell, int repeats, unsigned seed, double g = 9.81) {
  std::mt19937 engine(seed);
  std::normal_distribution<double> normal;
  std::vector<LoadPoint> points;
  const double masses[] = {0, 0.5, 1, 1.5, 2};
  const auto add = [&](double mass, LoadDirection direction) {
    const double f = mass * g, x = mass / 2;
    const double half_loop = (direction == LoadDirection::kUp ? -0.5 : 0.5) * cell.loop;
    points.push_back({mass,
                      5000 + 1000 * f + cell.curvature * f * f + half_loop * 4 * x * (1 - x) +
                          cell.noise * normal(engine),
                      direction});
  };
  for (int r = 0; r < repeats; ++r) {
    for (const double m : masses) add(m, LoadDirection::kUp);
    for (int i = 4; i >= 0; --i) add(masses[i], LoadDirection::kDown);
  }
  return points;
}

LoadCellOptions options() {
  LoadCellOptions o;
  o.local_g = 9.81;
  o.arm_m = 0.1;
  return o;
}

}  // namespace

// NIST StRD, Pontius: the calibration of a real load cell, deflection over load up and down. Its
// certified quadratic is what our calibration must fit; loads stand for masses at 9.81 m/s², so
// that the certified B1 and B2 are divided by 9.81 and 9.81².
TEST_CASE("the load cell of NIST's Pontius is fitted by its certified quadratic") {
  const auto set = reference::read_nist_linear("Pontius");
  std::vector<LoadPoint> points;
  for (std::size_t i = 0; i < set.rows.size(); ++i)
    points.push_back({static_cast<double>(set.rows[i][1]), static_cast<double>(set.rows[i][0]),
                      i < set.rows.size() / 2 ? LoadDirection::kUp : LoadDirection::kDown});
  const LoadCellFit fit = calibrate_load_cell(points, options());
  CHECK(fit.degree == 2);
  CHECK(fit.calibration.reason.find("quadratic") == 0);
  const auto& b = fit.counts_over_force.coefficients;
  CHECK(reference::digits(b[0], set.coefficients[0]) > 12);
  CHECK(reference::digits(b[1] * 9.81, set.coefficients[1]) > 13.5);
  CHECK(reference::digits(b[2] * 9.81 * 9.81, set.coefficients[2]) > 12);
  CHECK(reference::digits(fit.counts_over_force.residual_sd, set.residual_sd) > 11);
  // Back from deflection to force, through the stored form.
  const double f = 1.5e6 * 9.81, counts = b[0] + b[1] * f + b[2] * f * f;
  CHECK(force_from_counts(fit.calibration, counts, b[0]) == doctest::Approx(f).epsilon(1e-6));
}

TEST_CASE("a straight cell is given a straight line, with its reason") {
  const LoadCellFit fit = calibrate_load_cell(hang({.noise = 3}, 2, 1), options());
  CHECK(fit.degree == 1);
  CHECK(fit.calibration.reason.find("straight line") == 0);
  CHECK(fit.calibration.curvature_n_per_count2 == 0);
  CHECK(fit.calibration.slope_n_per_count == doctest::Approx(1e-3).epsilon(1e-3));
  CHECK(fit.calibration.zero_counts == doctest::Approx(5000).epsilon(1e-3));
  CHECK(fit.repeatability.value.value() == doctest::Approx(100 * 3 / 19620.0).epsilon(0.5));
  CHECK(fit.repeatability.low.value() < 100 * 3 / 19620.0);
  CHECK(fit.repeatability.high.value() > 100 * 3 / 19620.0);
}

TEST_CASE("hysteresis and non-linearity of a made cell are found") {
  // 40 counts of loop in 19,620; curvature 0.5 counts/N²: non-linearity b2·F²/8 = 24 counts.
  const Cell cell{.curvature = 0.5, .loop = 40, .noise = 2};
  const LoadCellFit fit = calibrate_load_cell(hang(cell, 3, 7), options());
  const double span = 1000 * 19.62 + 0.5 * 19.62 * 19.62;
  CHECK(fit.degree == 2);
  CHECK(fit.hysteresis.low.value() <= 100 * 40 / span);
  CHECK(fit.hysteresis.high.value() >= 100 * 40 / span);
  CHECK(fit.nonlinearity.low.value() <= 100 * 0.5 * 19.62 * 19.62 / 8 / span);
  CHECK(fit.nonlinearity.high.value() >= 100 * 0.5 * 19.62 * 19.62 / 8 / span);
}

TEST_CASE("the inverse holds over the whole scale of a quadratic cell") {
  const LoadCellFit fit =
      calibrate_load_cell(hang({.curvature = 5}, 1, 1), options());  // q = 10 %/8
  for (double f = 0; f <= 19.62; f += 0.5) {
    const double counts = 5000 + 1000 * f + 5 * f * f;
    CHECK(std::fabs(force_from_counts(fit.calibration, counts, 5000) - f) < 1.5e-3 * 19.62);
  }
}

// JCGM 101 as the check of JCGM 100: the slope's standard uncertainty against the scatter of the
// slopes of many calibrations of the same cell (4000: relative standard error 1.1 %).
TEST_CASE("the stated uncertainty is the scatter of repeated calibrations") {
  double sum = 0, sum_squares = 0, stated = 0;
  const int n = 4000;
  for (int i = 0; i < n; ++i) {
    LoadCellOptions o = options();
    o.degree = 2;
    const LoadCellFit fit =
        calibrate_load_cell(hang({.curvature = 0.5, .noise = 4}, 1, 100u + unsigned(i)), o);
    const double d = fit.calibration.slope_n_per_count - 1e-3;
    sum += d;
    sum_squares += d * d;
    stated += fit.calibration.slope_sd * fit.calibration.slope_sd;
  }
  const double scatter = std::sqrt(sum_squares / n - sum * sum / n / n);
  CHECK(std::sqrt(stated / n) == doctest::Approx(scatter).epsilon(0.04));
}

TEST_CASE("torque carries slope, arm, noise and residuals in its uncertainty") {
  Calibration c;
  c.slope_n_per_count = 2e-3;
  c.slope_sd = 2e-6;
  c.arm_m = 0.1;
  c.arm_sd_m = 0.0001;
  c.residual_sd_n = 0.01;
  const TorqueAndSd torque = torque_from_counts(c, 15000, 5000, 4);
  CHECK(torque.torque_nm == doctest::Approx(2.0));
  // By hand: slope 0.02 N, residual 0.01 N, noise 0.008 N → 0.02375 N × 0.1 m; arm 20 N × 0.1 mm.
  CHECK(torque.sd_nm == doctest::Approx(std::hypot(0.0023749, 0.002)).epsilon(1e-4));
}

TEST_CASE("without local gravity its spread is in the slope") {
  LoadCellOptions o = options();
  o.local_g.reset();
  const LoadCellFit fit = calibrate_load_cell(hang({.noise = 0.01}, 1, 3), o);
  CHECK(fit.calibration.slope_sd / fit.calibration.slope_n_per_count ==
        doctest::Approx(0.0259 / 9.80665 / std::sqrt(3.0)).epsilon(0.01));
  CHECK(fit.warnings.size() == 1);
}

TEST_CASE("calibrations that cannot be are refused in a sentence") {
  const std::vector<LoadPoint> one_mass{{1, 5}, {1, 6}, {1, 7}};
  CHECK_THROWS_WITH_AS(calibrate_load_cell(one_mass, options()), doctest::Contains("two masses"),
                       Error);
  const std::vector<LoadPoint> deaf{{0, 5}, {1, 4}, {2, 5}, {3, 6}, {4, 4}};
  CHECK_THROWS_WITH_AS(calibrate_load_cell(deaf, options()), doctest::Contains("do not follow"),
                       Error);
  const std::vector<LoadPoint> negative{{0, 5}, {-1, 4}, {2, 5}};
  CHECK_THROWS_AS(calibrate_load_cell(negative, options()), Error);
  LoadCellOptions moon = options();
  moon.local_g = 1.62;
  CHECK_THROWS_AS(calibrate_load_cell(hang({}, 1, 1), moon), Error);
}
