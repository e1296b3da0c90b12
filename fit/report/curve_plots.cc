#include "fit/report/curve_plots.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/units.h"

namespace loadline {
namespace {

constexpr int kSteps = 160;
constexpr std::size_t kMostPoints = 5000;

Series curve_series(const Curve& curve, double to, bool power, const std::string& name,
                    int colour) {
  Series series;
  series.name = name;
  series.colour = colour;
  series.measured_from = rpm_from_rad_per_s(curve.speed_low);
  series.measured_to = rpm_from_rad_per_s(curve.speed_high);
  const double factor = curve.coverage_factor();
  for (int i = 0; i <= kSteps; ++i) {
    const double speed = to * i / kSteps, times = power ? speed : 1;
    const double torque = curve.torque(speed), half = factor * curve.torque_sd(speed);
    series.x.push_back(rpm_from_rad_per_s(speed));
    series.y.push_back(times * torque);
    series.low.push_back(times * (torque - half));
    series.high.push_back(times * (torque + half));
  }
  return series;
}

Series points_series(const std::string& name) {
  Series series;
  series.name = name;
  series.look = Series::Look::kPoints;
  series.colour = 6;
  return series;
}

}  // namespace

Series torque_series(const Curve& curve, double to, const std::string& name, int colour) {
  return curve_series(curve, to, false, name, colour);
}

Series power_series(const Curve& curve, double to, const std::string& name, int colour) {
  return curve_series(curve, to, true, name, colour);
}

StoredPoints stored_points(const Json& details) {
  StoredPoints points{points_series("Readings, corrected"), points_series("Readings, corrected"),
                      points_series("Reading minus curve"), false};
  const auto found = details.is_object() ? details.find("points") : details.end();
  if (found == details.end() || !found->is_array()) return points;
  for (const Json& row : *found) {
    if (!row.is_array() || row.size() < 3 || !row[0].is_number() || !row[1].is_number()) continue;
    const double rpm = row[0].get<double>(), torque = row[1].get<double>();
    points.torque.x.push_back(rpm);
    points.torque.y.push_back(torque);
    points.power.x.push_back(rpm);
    points.power.y.push_back(torque * rad_per_s_from_rpm(rpm));
    points.residual.x.push_back(rpm);
    points.residual.y.push_back(row[2].is_number() ? row[2].get<double>() : std::nan(""));
  }
  points.any = !points.torque.x.empty();
  points.torque = thinned(points.torque, kMostPoints);
  points.power = thinned(points.power, kMostPoints);
  points.residual = thinned(points.residual, kMostPoints);
  return points;
}

double end_of_motor_plot(const Curve& curve) {
  const double furthest = 1.2 * curve.speed_high;
  for (int i = 0; i <= kSteps; ++i) {
    const double speed = curve.speed_high + (furthest - curve.speed_high) * i / kSteps;
    if (!(curve.torque(speed) > 0)) return std::max(speed, 1.0);
  }
  return std::max(furthest, 1.0);
}

std::string measured_words(const Curve& curve) {
  return fmt::format("Measured from {} to {} rpm; dotted beyond.",
                     significant(rpm_from_rad_per_s(curve.speed_low), 3),
                     significant(rpm_from_rad_per_s(curve.speed_high), 4));
}

}  // namespace loadline
