#include "fit/report/plots/curve_plots.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>

#include "db/basis/units.h"

namespace loadline {
namespace {

constexpr int kSteps = 160;
constexpr std::size_t kMostPoints = 5000;
constexpr double kNoWeight = 0.05;

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

StoredPoints::Cloud cloud_named(const std::string& name, Series::Look look, int colour) {
  Series series;
  series.name = name;
  series.look = look;
  series.colour = colour;
  return {series, series, series};
}

void add_row(StoredPoints::Cloud& cloud, double rpm, double torque, double residual) {
  const auto add = [&](Series& series, double y) {
    series.x.push_back(rpm);
    series.y.push_back(y);
  };
  add(cloud.torque, torque);
  add(cloud.power, torque * rad_per_s_from_rpm(rpm));
  add(cloud.residual, residual);
}

double number_at(const Json& row, std::size_t i, double otherwise) {
  return i < row.size() && row[i].is_number() ? row[i].get<double>() : otherwise;
}

}  // namespace

Series torque_series(const Curve& curve, double to, const std::string& name, int colour) {
  return curve_series(curve, to, false, name, colour);
}

Series power_series(const Curve& curve, double to, const std::string& name, int colour) {
  return curve_series(curve, to, true, name, colour);
}

int motor_colour(std::size_t number) {
  constexpr int kColours[kMotorsOfPlot] = {1, 3, 4, 5};
  return kColours[number % kMotorsOfPlot];
}

Series::Dash motor_dash(std::size_t number) {
  using Dash = Series::Dash;
  constexpr Dash kDashes[kMotorsOfPlot] = {Dash::kSolid, Dash::kLong, Dash::kDashDot,
                                           Dash::kDotted};
  return kDashes[number % kMotorsOfPlot];
}

StoredPoints stored_points(const Json& details) {
  StoredPoints points{cloud_named("Readings, corrected", Series::Look::kPoints, 6),
                      cloud_named("Readings that carry no weight", Series::Look::kCrosses, 5),
                      false};
  const auto found = details.is_object() ? details.find("points") : details.end();
  if (found == details.end() || !found->is_array()) return points;
  for (const Json& row : *found) {
    if (!row.is_array() || row.size() < 2 || !row[0].is_number() || !row[1].is_number()) continue;
    const bool weighs = number_at(row, 3, 1) >= kNoWeight;
    add_row(weighs ? points.used : points.left_out, row[0].get<double>(), row[1].get<double>(),
            number_at(row, 2, std::nan("")));
    points.any = true;
  }
  return points;
}

void add_points(Plot& plot, StoredPoints& points, Series StoredPoints::Cloud::*which) {
  for (StoredPoints::Cloud* cloud : {&points.used, &points.left_out})
    if (!((*cloud).*which).x.empty()) plot.series.push_back(thinned((*cloud).*which, kMostPoints));
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
  return fmt::format("Measured from {} to {} rpm; dotted beyond.", rpm_text(curve.speed_low),
                     significant(rpm_from_rad_per_s(curve.speed_high), 4));
}

}  // namespace loadline
