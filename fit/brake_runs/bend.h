// How far a motor may bend away from an equation that is a straight line: what the residuals of a
// fit tell of it, and what that leaves open of each result.
#pragma once

#include "fit/brake_runs/sweep_fit.h"
#include "fit/curves/results.h"

namespace loadline {

/// Armature, fan and iron add T·b·u² to the torque, u the speed over the highest measured and T the
/// greatest torque; b is some hundredths (kBend). From a final fit and its curve: averaged over
/// motors with a bend and without one, which begin as equally likely, by what either leaves of the
/// readings (Gaussian integrals as of any linear model).
ResultDoubt bend_doubt(const SweepFit& fit, const Curve& curve);

}  // namespace loadline
