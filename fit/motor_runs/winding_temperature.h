// A motor's curve at another temperature of its winding than that of its runs.
//
// A winding's resistance grows with its temperature as copper's does (copper.h). In the series
// equation it is ω₀ = R/k; a permanent magnet's standstill torque goes with 1/R; the slip of an
// induction motor's breakdown torque goes with the rotor's resistance, which is taken to be as warm
// as the winding.
//
// How it misleads: a series motor's brake run hardly tells its resistance from its reactance, so
// that the step is known worse than the curve was; the covariance says so. Magnets weaken when
// warm: ferrite by 0.2 per cent for each kelvin (handbooks, from memory). They are taken to follow
// the winding; that they lie in a cooler case, and that other magnets lose half of that, is in the
// doubt.
#pragma once

#include "fit/equations/motor_constants.h"
#include "fit/motor_runs/motor_findings.h"
#include "fit/motor_runs/motor_options.h"
#include "fit/readings/readings.h"

namespace loadline {

struct WindingTemperature {
  double celsius = 0, sd = 0;  ///< mean over a run, and its standard uncertainty
};

/// Of a brake run: what `options` say, else the sensor at the run's start and half of the warm-up
/// found in it. Error(kInput) when neither is known.
WindingTemperature winding_temperature(const MotorFitOptions& options, const Readings& readings,
                                       const RunFinding& finding);
/// Of a spin-up: what `options` say, else Error(kInput).
WindingTemperature winding_temperature(const MotorFitOptions& options);

/// Flux that magnets lose for each kelvin that the winding warms, and its standard uncertainty.
struct FluxPerK {
  double value = motor_chosen::kFluxPerK, sd = motor_chosen::kFluxPerKSd;
};

/// What one run shows of that: the change of flux that a fit found in it, in per cent, the standard
/// deviation as a share that the fit took for likely beforehand, and what the case rose by, K. A
/// fit sees the flux as torque and speed without load going apart; magnets are where the case is.
struct FluxSeen {
  Estimate change;
  double sd_before = 0, warmer = 0;
};
/// What is usual and what the runs show, weighed by their doubts: least squares of change =
/// c·warmer, without what the fit took for likely.
FluxPerK flux_per_k(const std::vector<FluxSeen>& seen);

/// What the sensor on the case rose by from the first second of a run to its last, K; empty without
/// one.
std::optional<double> case_rise(const Readings& readings);

/// Moves parameters and covariance of `curve`, which is one of the motor equations (the spline has
/// no resistance), from the temperature of its runs to `celsius`.
void move_to_winding(Curve& curve, const WindingTemperature& from, double celsius,
                     const FluxPerK& flux_per_k = {});

}  // namespace loadline
