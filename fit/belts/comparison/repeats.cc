#include "fit/belts/comparison/repeats.h"

#include <cmath>

#include "db/basis/distributions.h"
#include "fit/belts/comparison/studentized_range.h"

namespace loadline {

std::optional<int> repeats_to_tell_apart(double percent, double repeatability_percent, int belts,
                                         int blocks, double power) {
  const double difference = std::log1p(percent / 100);
  const double s = repeatability_percent / 100;
  for (int n = 2; n <= 1000; n < 60 ? ++n : n += n / 20) {
    // What compare_belts will have: runs less belts, blocks, the supply and the look for drift.
    const double freedom = belts * n - belts - (blocks - 1) - 2.0;
    if (freedom < 1) continue;
    const double limit = studentized_range_quantile(0.95, belts, freedom) / std::sqrt(2.0);
    const double centre = difference / (s * std::sqrt(2.0 / n));
    if (centre > 30) return n;
    if (non_central_t_upper_tail(limit, freedom, centre) >= power) return n;
  }
  return std::nullopt;
}

}  // namespace loadline
