#include "fit/verbs/curve_rows.h"

#include <nlohmann/json.hpp>

#include "db/basis/units.h"

namespace loadline {

Json curve_rows(const Curve& curve, double speed_high) {
  Json rows = Json::array();
  if (!curve.equation || curve.parameters.size() == 0 || !(speed_high > 0)) return rows;
  constexpr int kRows = 48;
  const double factor = curve.coverage_factor();
  const double low = curve.model == "smooth" ? curve.speed_low : 0;  // it stands for no more
  for (int i = 0; i <= kRows; ++i) {
    const double speed = low + (speed_high - low) * i / kRows;
    const double torque = curve.torque(speed), half = factor * curve.torque_sd(speed);
    rows.push_back({json_number(rpm_from_rad_per_s(speed)), json_number(torque),
                    json_number(torque - half), json_number(torque + half)});
  }
  return rows;
}

}  // namespace loadline
