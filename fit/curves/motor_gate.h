// When a motor's curve does not describe its runs: then it is no answer.
#pragma once

#include <string>

#include "db/parts.h"
#include "fit/curves/motor_findings.h"

namespace loadline {

/// What is wrong, and what to do, as a part of a sentence; empty where the curve describes its
/// runs. Only what no sound run comes near is told here: torque of the wrong sign, readings of
/// which many do not belong, a residual that is a large share of the range, a power that the plate
/// contradicts by a factor.
std::string undescribed(const MotorFit& fit, const Part& motor);

}  // namespace loadline
