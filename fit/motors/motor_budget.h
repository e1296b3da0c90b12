// Where a motor result's interval comes from, in the manner of JCGM 100: standard uncertainty by
// source.
#pragma once

#include <string>

#include "fit/brake_runs/sweep_fit.h"
#include "fit/motors/motor_results.h"

namespace loadline {

/// Standard uncertainties of the four results from a covariance of the curve's parameters.
BudgetLine line_of(const Curve& curve, const Eigen::MatrixXd& covariance, std::string source);
/// What the equation leaves open, as a line of its own.
BudgetLine equation_line(const MotorFit& out, const EquationDoubt& doubt);
/// The lines of a final fit: noise first; then each nuisance adds what freeing it adds; then the
/// systematics and what the equation leaves open, `doubt`.
void add_budget(MotorFit& out, const SweepFit& fit, const EquationDoubt& doubt);

}  // namespace loadline
