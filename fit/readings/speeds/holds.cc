#include "fit/readings/speeds/holds.h"

#include <cmath>

#include "fit/readings/noise/usual_step.h"

namespace loadline {

Holds Holds::in(std::span<const double> time_s, std::span<const double> rpm) {
  UsualStep pace(rpm.size());
  double value = std::nan("");
  for (std::size_t i = 0; i < rpm.size(); ++i) {
    if (std::isnan(rpm[i]) || rpm[i] == value) continue;
    pace.add(time_s[i]);
    value = rpm[i];
  }
  return {pace.median()};
}

}  // namespace loadline
