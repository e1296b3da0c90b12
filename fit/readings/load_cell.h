// Calibration of a load cell by known masses, and its use: counts to torque.
//
// Model: counts = zero + b₁F + b₂F² + e with F = mass × local g, fitted over all points, up and
// down the scale together; b₂ only where the data ask for it. The stored calibration is the inverse
// force(c) = slope·c + curvature·c², c = counts − zero, made to agree with the fitted line at half
// and full scale exactly (between them it is off by at most 0.2·q²·F for a non-linearity q of
// full scale: 2 parts in 10⁵ for 1 %).
//
// Assumes that masses hang at rest and plumb. Misleads when the points do not span the forces of
// the runs (then force is extrapolated) and when up and down were not both taken: hysteresis then
// hides in the slope. The buoyancy of air (about 1.5 parts in 10⁴ for steel) is neglected.
// The words follow common calibration practice: non-linearity = largest distance of the mean
// curve from the best straight line; hysteresis = largest difference down − up at one mass;
// repeatability = standard deviation of repeats at one mass and direction; each in % of full scale.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "db/records.h"
#include "fit/readings/noise/least_squares.h"

namespace loadline {

enum class LoadDirection { kUp, kDown };

struct LoadPoint {
  double mass_kg = 0;
  double counts = 0;  ///< mean of the conversions while the mass hung still
  LoadDirection direction = LoadDirection::kUp;
};

struct LoadCellOptions {
  /// m/s². Without it standard gravity is used and its spread over the inhabited Earth (9.780 to
  /// 9.832 m/s² at sea level, taken as rectangular) goes into the slope's uncertainty.
  std::optional<double> local_g;
  double mass_relative_sd = 0;  ///< standard uncertainty of the set of masses, common to all
  double arm_m = 0;
  double arm_sd_m = 0;
  /// 1 or 2 forces a line or a quadratic; otherwise the data choose: a quadratic only when the F
  /// test for its term gives p < 0.01 and AICc falls. The stricter 1 % is because hysteresis makes
  /// neighbouring points alike, which an F test counts as curvature too easily.
  std::optional<int> degree;
};

struct LoadCellFit {
  Calibration calibration;  ///< all but id, uuid, rig and made_utc
  LinearFit counts_over_force;
  int degree = 1;
  Estimate slope;          ///< N/count at zero
  Estimate zero;           ///< counts
  Estimate nonlinearity;   ///< % of full scale; unknown when there are under four distinct masses
  Estimate hysteresis;     ///< %; unknown when no mass was read both up and down
  Estimate repeatability;  ///< %; unknown when no mass was put on twice in the same direction
  double full_scale_n = 0;
  std::vector<std::string> warnings;
};

/// Fits the calibration. Error(kInput) when there are fewer than three points or two masses, when
/// the counts do not follow the masses, or when the fitted quadratic turns back within the range.
LoadCellFit calibrate_load_cell(std::span<const LoadPoint> points, const LoadCellOptions& options);

/// Force in newtons at `counts`, the zero taken off.
double force_from_counts(const Calibration& calibration, double counts, double zero_counts);

struct TorqueAndSd {
  double torque_nm = 0;
  double sd_nm = 0;
};

/// Torque at the arm and its standard uncertainty from slope, curvature, arm, the calibration's
/// residuals (hysteresis does not average out) and `counts_sd`, that of counts − zero.
TorqueAndSd torque_from_counts(const Calibration& calibration, double counts, double zero_counts,
                               double counts_sd = 0);

}  // namespace loadline
