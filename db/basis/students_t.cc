#include "db/basis/students_t.h"

#include <algorithm>
#include <boost/math/distributions/students_t.hpp>

namespace loadline {

double student_t_975(double degrees_of_freedom) {
  if (!(degrees_of_freedom < 1e6)) return kNormal975;
  const boost::math::students_t distribution(std::max(1.0, degrees_of_freedom));
  return boost::math::quantile(distribution, 0.975);
}

}  // namespace loadline
