// From a fitted motor curve to its results: what the equation leaves open goes into the curve's
// covariance, and everything after is worked out from it.
#pragma once

#include "fit/curves/results.h"
#include "fit/motor_runs/motor_findings.h"

namespace loadline {

/// What the equation leaves open (relative standard uncertainty): in every torque alike, and beyond
/// that in each result.
struct EquationDoubt {
  double everywhere, stall, no_load, power, power_speed;
};

/// From the fit's curve and findings.
EquationDoubt equation_doubt(const MotorFit& fit);

/// One doubt more, independent of those before.
void add_doubt(EquationDoubt& doubt, const ResultDoubt& more);

/// The curve's covariance takes up what the equation leaves open, so that every answer that is
/// worked out from the curve has it.
void open_up(Curve& curve, const EquationDoubt& doubt);

/// Fills parameters and the four results from the curve, with warnings of what is extrapolated or
/// not known.
void set_results(MotorFit& fit);

/// Unit of a motor curve's parameter by its name; "" for a plain number.
std::string parameter_unit(const std::string& name);

/// d parameters / d ln(all torques together). Drags and splines are linear in their parameters but
/// for the speed of a Stribeck rise.
Eigen::VectorXd by_torque_scale(const Curve& curve);

}  // namespace loadline
