// Torque–speed curve of a motor from its runs against the brake.
//
// Model of one torque value of run j, with the motion `lag_j` before its time stamp (design: the
// brake reads shaft torque minus J dω/dt):
//
//   τ = T(ω; p, supply, heat_j(t)) − J_j·dω/dt + drift_j·share + noise
//
// with share the part of the run that has passed and heat two courses of warming, by torque and
// even in time, each from its mean: the zero is right at the run's start (it was taken there) and
// may bow on its way; the winding's temperature is the mean of the first run (of a spin-up what it
// was at the greatest power, fit/spin_ups/winding_warmth.h); later runs may have found the motor
// warmer or cooler. Magnets that warm lose flux on the way: for the permanent-magnet model a part
// that goes with the run's share is estimated, too.
//
// p is common to all runs; lag, inertia, drift of the zero and warm-up belong to each run and are
// estimated with it, each held by what is known beforehand (Prior) so that a run that cannot fix
// one says so by its width instead of inventing a value. Noise is correlated in time: residuals
// count by their correlation factor. Outliers lose their weight (Tukey's biweight, from 4 to 6
// robust standard deviations). All this makes (JᵀJ)⁻¹ of the weighted problem, priors included,
// the covariance of the answer.
//
// How it misleads: the motor's own friction cannot be told from the rest of a series motor's curve;
// without a coast-down of the motor alone the circuit parameters are those of a curve, not of a
// winding. Results far outside the measured speeds rest on the equation being true there.
//
// In: a motor's runs in the book, what a person asks for.
// Out: its curve with covariance, the four results, a budget, warnings (motor_findings.h); why
// there is none.
#pragma once

#include "db/book.h"
#include "fit/motor_runs/motor_findings.h"
#include "fit/motor_runs/motor_options.h"

namespace loadline {

/// Error(kInput) when the motor has no usable run, with what to record.
MotorFit fit_motor(const Book& book, const Part& motor, const MotorFitOptions& options = {});

/// The contract's JSON document.
Json to_json(const MotorFit& fit);
/// The curve as it goes into the book.
StoredCurve to_stored(const MotorFit& fit, const Part& motor);

}  // namespace loadline
