// Against printed tables: NIST/SEMATECH e-Handbook of Statistical Methods, section 1.3.6.7
// (critical values of t, F and chi-square; from memory), to the digits printed there.
#include "db/basis/distributions.h"

#include <doctest/doctest.h>

#include <cmath>

using namespace loadline;

TEST_CASE("distributions: printed critical values") {
  CHECK(chi_squared_upper_quantile(0.05, 10) == doctest::Approx(18.307).epsilon(3e-5));
  CHECK(chi_squared_quantile(0.975, 10) == doctest::Approx(20.483).epsilon(3e-5));
  CHECK(chi_squared_quantile(0.05, 10) == doctest::Approx(3.940).epsilon(2e-4));
  CHECK(f_upper_tail(3.708, 3, 10) == doctest::Approx(0.05).epsilon(1e-3));
  CHECK(student_t_upper_tail(2.228, 10) == doctest::Approx(0.025).epsilon(1e-3));
}

TEST_CASE("distributions: those about a centre") {
  CHECK(non_central_t_upper_tail(2.228, 10, 0) == doctest::Approx(0.025).epsilon(1e-3));
  // Of two degrees of freedom: how much of a round normal scatter about (√λ, 0) lies within √value.
  const double value = 5.991, centre = std::sqrt(non_centrality_of_two(value, 0.4));
  constexpr double kStep = 0.01;
  double within = 0;
  for (double x = -3; x < 3; x += kStep)
    for (double y = -3; y < 3; y += kStep)
      if (x * x + y * y <= value)
        within += std::exp(-((x - centre) * (x - centre) + y * y) / 2) * kStep * kStep / (2 * M_PI);
  CHECK(within == doctest::Approx(0.4).epsilon(0.005));
}

TEST_CASE("ln of the gamma function and the inverse of erfc") {
  // Γ(5) = 24, Γ(1/2) = √π; erfc(0.5) = 0.4795001222 (tables, from memory).
  CHECK(loadline::log_gamma(5) == doctest::Approx(std::log(24.0)));
  CHECK(loadline::log_gamma(0.5) == doctest::Approx(std::log(std::acos(-1.0)) / 2));
  CHECK(loadline::inverse_erfc(0.4795001222) == doctest::Approx(0.5).epsilon(1e-8));
}
