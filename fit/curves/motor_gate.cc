#include "fit/curves/motor_gate.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

namespace loadline {
namespace {

// Plates of old motors are off by tens of per cent and may state input or output: only a factor
// counts. Sound runs leave a few per cent of their range, and some per mille of outliers.
constexpr double kMostOfPlate = 8;
constexpr double kMostResidual = 0.1, kMostSpeedResidual = 0.05;  // of the range
constexpr double kMostStray = 0.25, kNotBelonging = 0.5;          // share of points, weight
constexpr double kNegative = -0.05;                               // of the greatest torque

std::string by_points(const MotorFit& fit) {
  double most = 0, low = 1e300, high = -1e300, below = 0, stray = 0;
  for (const CurvePoint& point : fit.points) most = std::max(most, std::fabs(point.torque));
  for (const CurvePoint& point : fit.points) {
    low = std::min(low, point.torque);
    high = std::max(high, point.torque);
    below += point.torque < kNegative * most ? 1 : 0;
    stray += point.weight < kNotBelonging ? 1 : 0;
  }
  const auto count = static_cast<double>(fit.points.size());
  if (2 * below > count)
    return "the torque is below zero in most readings: look at the sign of the cell, or at its "
           "zero";
  if (stray > kMostStray * count)
    return fmt::format(
        "{:.0f} of 100 readings do not belong to one curve: look for a channel that drops out, or "
        "for two motors in one run",
        100 * stray / count);
  if (fit.residual_rms > kMostResidual * (high - low))
    return "the torques scatter about any curve by more than a tenth of their range: look whether "
           "speed and torque are of one bench and one time";
  return "";
}

}  // namespace

std::string undescribed(const MotorFit& fit, const Part& motor) {
  if (fit.points.empty()) return "";
  const double range = fit.curve.speed_high - fit.curve.speed_low;
  if (fit.speed_residuals) {
    if (fit.residual_rms > kMostSpeedResidual * range)
      return "the speeds of the spin-up lie far off any curve: look whether it is one, and at its "
             "inertia";
  } else if (std::string why = by_points(fit); !why.empty()) {
    return why;
  }
  const auto plate = motor.number("rated-w");
  if (plate && fit.peak_power.value && *fit.peak_power.value > kMostOfPlate * *plate)
    return fmt::format(
        "a peak power of {} is more than {:.0f} times what the plate says ({} W): look at the "
        "units "
        "of torque and speed, the arm, or the inertia",
        to_text(fit.peak_power), kMostOfPlate, significant(*plate, 3));
  return "";
}

}  // namespace loadline
