#include "fit/belts/comparison/studentized_range.h"

#include <algorithm>
#include <boost/math/tools/toms748_solve.hpp>
#include <cmath>
#include <stdexcept>

#include "db/basis/distributions.h"
#include "db/basis/units.h"

namespace loadline {
namespace {

// Both integrands are smooth and vanish at both ends, where the plain trapezoidal rule converges
// faster than any power of its step (Trefethen & Weideman, SIAM Review 56 (2014) 385).
constexpr double kFarNormal = 8.5;  // beyond it a normal density is below 1e-16
constexpr double kNormalStep = 0.1;
// Above this the chi distribution is narrower than rounding of q; s is 1.
constexpr double kManyFreedom = 1e7;

double normal_density(double z) { return std::exp(-z * z / 2) / std::sqrt(2 * kPi); }
double lower_tail(double z) { return std::erfc(-z / std::sqrt(2.0)) / 2; }

// P(range of k standard normals ≤ w).
double range_cdf(double w, int k) {
  if (!(w > 0)) return 0;
  double sum = 0;
  for (double z = -kFarNormal; z < kFarNormal + kNormalStep / 2; z += kNormalStep) {
    // Φ(z) − Φ(z − w), from the tails where that cancels less.
    const double slice =
        z - w > 0 ? lower_tail(w - z) - lower_tail(-z) : lower_tail(z) - lower_tail(z - w);
    sum += normal_density(z) * std::pow(slice, k - 1);
  }
  return std::min(k * kNormalStep * sum, 1.0);
}

// ln of the density of u = ln s where ν s² ~ χ²(ν).
double log_density(double u, double freedom) {
  const double half = freedom / 2;
  return std::log(2.0) + half * std::log(half) - log_gamma(half) + freedom * u -
         half * std::exp(2 * u);
}

void require_sense(int k, double freedom) {
  if (k < 2 || !(freedom > 0))
    throw std::logic_error("studentized range: needs two means and some degrees of freedom");
}

}  // namespace

double studentized_range_cdf(double q, int k, double degrees_of_freedom) {
  require_sense(k, degrees_of_freedom);
  if (!(q > 0)) return 0;
  if (degrees_of_freedom > kManyFreedom) return range_cdf(q, k);
  const auto log_s = [&](double chi_squared) {
    return std::log(chi_squared / degrees_of_freedom) / 2;
  };
  const double low = log_s(chi_squared_quantile(1e-17, degrees_of_freedom));
  const double high = log_s(chi_squared_upper_quantile(1e-17, degrees_of_freedom));
  // ln s spreads by about 1/√(2ν); 0.16 keeps up with exp(2u) when ν is small.
  const double step = std::min(0.16, 0.28 / std::sqrt(2 * degrees_of_freedom));
  double value = 0;
  for (double u = low; u < high + step; u += step)
    value += std::exp(log_density(u, degrees_of_freedom)) * range_cdf(q * std::exp(u), k);
  value *= step;
  return std::clamp(value, 0.0, 1.0);
}

double studentized_range_tail(double q, int k, double degrees_of_freedom) {
  return 1 - studentized_range_cdf(q, k, degrees_of_freedom);
}

double studentized_range_quantile(double probability, int k, double degrees_of_freedom) {
  require_sense(k, degrees_of_freedom);
  if (!(probability > 0 && probability < 1))
    throw std::logic_error("studentized range: a probability lies between 0 and 1");
  const auto miss = [&](double q) {
    return studentized_range_cdf(q, k, degrees_of_freedom) - probability;
  };
  double high = 4;
  while (miss(high) < 0 && high < 1e9) high *= 2;
  std::uintmax_t steps = 60;
  const auto bracket =
      boost::math::tools::toms748_solve(miss, high == 4 ? 1e-9 : high / 2, high,
                                        boost::math::tools::eps_tolerance<double>(36), steps);
  return (bracket.first + bracket.second) / 2;
}

}  // namespace loadline
