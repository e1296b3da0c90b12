#include "db/basis/distributions.h"

#include <boost/math/distributions/chi_squared.hpp>
#include <boost/math/distributions/fisher_f.hpp>
#include <boost/math/distributions/non_central_chi_squared.hpp>
#include <boost/math/distributions/non_central_t.hpp>
#include <boost/math/distributions/students_t.hpp>
#include <boost/math/special_functions/erf.hpp>
#include <boost/math/special_functions/gamma.hpp>

namespace loadline {

using boost::math::cdf;
using boost::math::complement;

double chi_squared_quantile(double probability, double degrees_of_freedom) {
  return quantile(boost::math::chi_squared(degrees_of_freedom), probability);
}

double chi_squared_upper_quantile(double probability, double degrees_of_freedom) {
  return quantile(complement(boost::math::chi_squared(degrees_of_freedom), probability));
}

double f_upper_tail(double f, double freedom_1, double freedom_2) {
  return cdf(complement(boost::math::fisher_f(freedom_1, freedom_2), f));
}

double student_t_upper_tail(double t, double degrees_of_freedom) {
  return cdf(complement(boost::math::students_t(degrees_of_freedom), t));
}

double non_central_t_upper_tail(double t, double degrees_of_freedom, double centre) {
  return cdf(complement(boost::math::non_central_t(degrees_of_freedom, centre), t));
}

double non_centrality_of_two(double value, double probability) {
  using Wave = boost::math::non_central_chi_squared_distribution<double>;
  return Wave::find_non_centrality(2.0, value, probability);
}

double log_gamma(double x) { return boost::math::lgamma(x); }

double inverse_erfc(double share) { return boost::math::erfc_inv(share); }

}  // namespace loadline
