// Drag of a machine from a run in which a known motor drives it at several supply settings.
//
// The motor is the torque meter: where the speed is steady, the hand wheel takes
// τ(ω_h) = i·T(ω_m; supply), T from the motor's curve in the book moved to the supply of the
// moment, i from the two speeds. What the belt wastes is in it and cannot be told apart here. The
// curve's own uncertainty is common to all settings and does not average out; it is carried
// through.
#pragma once

#include <string>
#include <vector>

#include "db/book.h"
#include "fit/curves/curve.h"

namespace loadline {

struct DrivenPoint {
  double time_s = 0, speed = 0, torque = 0;  ///< at the hand wheel: rad/s, N·m
};

struct DrivenFit {
  Eigen::Vector3d drag = Eigen::Vector3d::Zero();  ///< c₀, c₁, c₂
  Eigen::Matrix3d covariance = Eigen::Matrix3d::Zero();
  double degrees_of_freedom = 0;
  double residual_rms = 0;  ///< N·m
  double speed_low = 0, speed_high = 0;
  std::vector<std::int64_t> runs;
  std::vector<DrivenPoint> points;
  std::vector<double> residuals;  ///< N·m, beside `points`
  std::vector<std::string> warnings;
};

/// Each row of a steady table is one steady speed; its weight comes from the uncertainties stated
/// beside it, else from its last digits. Runs by several motors may be fitted together.
/// Error(kInput) when no run is usable: no motor curve yet (with the command that makes it), no
/// motor speed, or fewer than three settings' worth of steady speeds.
DrivenFit fit_driven(const Book& book, const std::vector<Run>& runs);

}  // namespace loadline
