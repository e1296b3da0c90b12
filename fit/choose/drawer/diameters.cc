#include "fit/choose/drawer/diameters.h"

#include <algorithm>
#include <cmath>

#include "db/basis/error.h"
#include "db/basis/units.h"
#include "fit/belts/grooves/fit_check.h"

namespace loadline {

double Diameters::ratio_sd() const {
  return ratio() * std::hypot(motor.sd / motor.value, hand.sd / hand.value);
}

Diameters effective_diameters(const Part& motor_pulley, const Part& hand_pulley,
                              const std::optional<Part>& belt, const std::optional<double>& sd_m,
                              std::vector<std::string>& warnings) {
  const TrueRatio found = true_ratio(motor_pulley, hand_pulley, belt);
  if (!found.motor_diameter.value || !found.hand_diameter.value)
    throw Error(Fault::kInput, found.reason + ".");
  const auto diameter = [&](const Estimate& mm) {
    constexpr double kLimitsToSd = 2 * 1.96;  // its limits are value ± 1.96 standard uncertainties
    return Uncertain{m_from_mm(*mm.value),
                     sd_m.value_or(m_from_mm(*mm.high - *mm.low) / kLimitsToSd)};
  };
  append_new(warnings, found.warnings);
  return {diameter(found.motor_diameter), diameter(found.hand_diameter)};
}

void append_new(std::vector<std::string>& to, const std::vector<std::string>& from) {
  for (const std::string& one : from)
    if (std::find(to.begin(), to.end(), one) == to.end()) to.push_back(one);
}

}  // namespace loadline
