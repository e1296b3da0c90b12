// The `smooth` motor curve from brake runs: a spline through torques that an equation's fit has
// cleaned of lag, inertia, drift, warm-up and supply.
#pragma once

#include "fit/brake_runs/sweep_fit.h"
#include "fit/curves/smooth.h"

namespace loadline {

struct SmoothSweep {
  SmoothFit fit;
  /// Of the coefficients: noise and smoothing bias, and what the nuisances of `equation`, slope,
  /// arm and zero leave open.
  Eigen::MatrixXd covariance;
  double rms = 0;  ///< weighted, N·m
};

/// From a final fit: every torque is taken at the reference supply, the mean warmth, without the
/// inertia's part and the drift, as `equation` finds them; only the curve is the spline's own.
/// Error(kInput) as fit_smooth.
SmoothSweep smooth_sweep(const SweepFit& equation);

}  // namespace loadline
