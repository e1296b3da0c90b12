// Curves as series of a plot: fitted line with its 95 % band, and the readings behind it.
#pragma once

#include <string>

#include "fit/curves/curve.h"
#include "fit/report/plots/plot.h"

namespace loadline {

/// Over speed in rpm from 0 to `to` (rad/s): torque in N·m, or power T·ω in W. The band is the
/// curve's 95 % interval at each speed (Student's t with its degrees of freedom); the stretch
/// outside the measured range is marked as extrapolated.
Series torque_series(const Curve& curve, double to, const std::string& name, int colour);
Series power_series(const Curve& curve, double to, const std::string& name, int colour);

/// Several motors in one plot: at most so many, each with its own colour and kind of line.
inline constexpr std::size_t kMotorsOfPlot = 4;
int motor_colour(std::size_t number);
Series::Dash motor_dash(std::size_t number);

/// Readings stored with a curve: rows of [rpm, N·m, residual, weight]. Those that the fit gave next
/// to no weight (a knock, a start) stand apart.
struct StoredPoints {
  struct Cloud {
    Series torque, power, residual;
  };
  Cloud used, left_out;
  bool any = false;
};
StoredPoints stored_points(const Json& details);

/// Adds both clouds, each only when it has points.
void add_points(Plot& plot, StoredPoints& points, Series StoredPoints::Cloud::*which);

/// Where a motor's plot ends, rad/s: its no-load speed when that is near, else a little beyond what
/// was measured; never where the curve would have to be negative.
double end_of_motor_plot(const Curve& curve);

/// "Measured from 1,200 to 9,800 rpm."
std::string measured_words(const Curve& curve);

}  // namespace loadline
