// First-order propagation against the GUM and against numbers worked by hand.
#include "db/basis/students_t.h"
#include "fit/drive/load_lines/propagation.h"

#include <doctest/doctest.h>

#include <cmath>

#include "fit/curves/curve.h"

using namespace loadline;

TEST_CASE("Three independent sources give the effective degrees of freedom of the GUM's example") {
  // JCGM 100:2008, G.4.1 (numbers from memory): relative u 0.25, 0.57, 0.82 % with 9, 4 and 14
  // degrees of freedom of a product of three: u 1.03 %, ν 19.0, t 2.09.
  Sources sources;
  const int a = sources.add("a", 0.25, 9), b = sources.add("b", 0.57, 4),
            c = sources.add("c", 0.82, 14);
  const Propagated product =
      sources.input(100, a) * sources.input(100, b) * sources.input(100, c) / 1e4;
  CHECK(sources.sd(product) == doctest::Approx(1.03).epsilon(0.001));
  CHECK(sources.degrees_of_freedom(product) == doctest::Approx(19.0).epsilon(0.001));
  const Estimate estimate = sources.estimate(product, 1, "");
  CHECK(*estimate.high - *estimate.value == doctest::Approx(2.09 * 1.03).epsilon(0.002));
}

TEST_CASE("A correlated pair of inputs gives the GUM's resistance") {
  // JCGM 100:2008, H.2: R = V/I·cos φ = 127.732 Ω, u 0.070 Ω, from V 4.999(3.2e-3) V,
  // I 19.661(9.5e-3) mA, φ 1.04446(7.5e-4) rad, r(V,I) −0.36, r(V,φ) 0.86, r(I,φ) −0.65.
  const double uv = 3.2e-3, ui = 9.5e-6, up = 7.5e-4;
  Eigen::MatrixXd covariance(3, 3);
  covariance << uv * uv, -0.36 * uv * ui, 0.86 * uv * up,  //
      -0.36 * uv * ui, ui * ui, -0.65 * ui * up,           //
      0.86 * uv * up, -0.65 * ui * up, up * up;
  Sources sources;
  const int first = sources.add("readings", covariance, 4);
  const Propagated v = sources.input(4.999, first), i = sources.input(19.661e-3, first + 1);
  const Propagated p = sources.input(1.04446, first + 2);
  const Propagated r = v / i * chain(std::cos(p.value), -std::sin(p.value), p);
  CHECK(r.value == doctest::Approx(127.732).epsilon(1e-5));
  // The printed inputs are rounded to two digits, so the result is good to about 2 %.
  CHECK(sources.sd(r) == doctest::Approx(0.070).epsilon(0.02));
}

TEST_CASE("What two results share cancels in their quotient") {
  Sources sources;
  const int shared = sources.add("shared", 5.0);
  const Propagated x = sources.input(50, shared);
  CHECK(sources.sd(x * 3.0 / x) == doctest::Approx(0).epsilon(1e-12));
  CHECK(sources.sd(x - x * 0.5) == doctest::Approx(2.5));
  CHECK(sources.sd(sqrt(x)) == doctest::Approx(0.5 * 5 / std::sqrt(50.0)));
}

TEST_CASE("An implicit root moves as its equation says") {
  // x² = a: dx/da = 1/(2x).
  Sources sources;
  const Propagated a = sources.input(9, sources.add("a", 0.6));
  const Propagated x = implicit_root(3, 9.0 - a, 6);
  CHECK(sources.sd(x) == doctest::Approx(0.1));
}

TEST_CASE("Draws have the covariance that was asked for") {
  Eigen::MatrixXd covariance(2, 2);
  covariance << 1e8, 0.9 * 1e4 * 1e-3, 0.9 * 1e4 * 1e-3, 1e-6;
  Sources sources;
  sources.add("pair", covariance, 1e9);
  sources.add("single", 2.0, 8);
  const SourceDraws draws(sources);
  std::mt19937_64 random(7);
  Eigen::MatrixXd sum = Eigen::MatrixXd::Zero(3, 3);
  const int n = 40000;
  for (int k = 0; k < n; ++k) {
    const Eigen::VectorXd x = draws.draw(random);
    sum += x * x.transpose();
  }
  sum /= n;
  CHECK(sum(0, 0) == doctest::Approx(1e8).epsilon(0.03));
  CHECK(sum(1, 1) == doctest::Approx(1e-6).epsilon(0.03));
  CHECK(sum(0, 1) / std::sqrt(sum(0, 0) * sum(1, 1)) == doctest::Approx(0.9).epsilon(0.01));
  // Student's t with ν degrees of freedom has the variance ν/(ν − 2).
  CHECK(sum(2, 2) == doctest::Approx(4.0 * 8 / 6).epsilon(0.06));
  CHECK(std::fabs(sum(0, 2)) / std::sqrt(sum(0, 0) * sum(2, 2)) < 0.03);
}

TEST_CASE("The quick factor of Student's t is that of the tables") {
  // Two-sided 95 % points of any table of Student's t.
  CHECK(coverage_factor(5) == doctest::Approx(2.571).epsilon(2e-4));
  CHECK(coverage_factor(20) == doctest::Approx(2.086).epsilon(2e-4));
  CHECK(coverage_factor(60) == doctest::Approx(2.000).epsilon(3e-4));
  CHECK(coverage_factor(120) == doctest::Approx(1.980).epsilon(3e-4));
  CHECK(coverage_factor(1e9) == doctest::Approx(1.960).epsilon(3e-4));
  for (double freedom = 1; freedom < 1e6; freedom *= 1.3)
    CHECK(coverage_factor(freedom) == doctest::Approx(student_t_975(freedom)).epsilon(2e-5));
  for (double freedom = 20; freedom < 1e5; freedom *= 1.1)
    CHECK(coverage_factor(freedom) == doctest::Approx(student_t_975(freedom)).epsilon(2e-7));
}
