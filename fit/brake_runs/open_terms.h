// What a motor equation leaves out, where points typed from a notebook tell how much it is.
#pragma once

#include <string>
#include <vector>

#include "fit/brake_runs/sweep_fit.h"
#include "fit/curves/curve.h"

namespace loadline {

/// Whether this model has such terms (MotorEquation::open_sd).
bool has_open_terms(const std::string& model);

/// One way to take an equation, with some of its terms and without the others.
struct TermsTaken {
  double left = 1;   ///< of the readings' weighted sum of squares
  double count = 0;  ///< how many the readings determine, of those taken
};
/// All of them, of the fit of this model; that without any of them is the first.
std::vector<TermsTaken> ways_with_terms(const SweepFit& fit, const std::string& model);

/// Gives the curve of a final fit the terms that its equation leaves out: the mean over all ways,
/// by what each leaves of the readings (Gaussian integrals about its own best fit), and the
/// covariance of all parameters. Beforehand it is as likely that nothing is left out as that
/// something is.
void add_open_terms(Curve& curve, const SweepFit& fit);

}  // namespace loadline
