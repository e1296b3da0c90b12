// When a motor's curve does not describe its runs: then it is no answer.
#pragma once

#include <string>

#include "db/parts.h"
#include "fit/brake_runs/sweep_fit.h"
#include "fit/motor_runs/motor_findings.h"

namespace loadline {

/// What is wrong with a curve of brake runs, and what to do, as a part of a sentence; empty where
/// it describes them. What is left over is more than noise: halves of a run that disagree, a
/// pattern over speed, too many values set aside, a drift or warm-up that cannot be; a sweep is too
/// quick for what is known of its times; the curve asks a brake to push; its power contradicts the
/// plate by a factor. `brake`: the fit behind the curve.
std::string undescribed(const MotorFit& fit, const Part& motor, const SweepFit& brake);

/// The same of a curve of spin-ups.
std::string undescribed_spin_up(const MotorFit& fit, const Part& motor);

}  // namespace loadline
