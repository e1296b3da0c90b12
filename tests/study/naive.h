// Least squares as it is done at home: every sample is a point, every point is independent, torque
// and speed belong together because they stand in one row. It uses none of Loadline's readings or
// corrections, and stands in the tables for comparison only.
#pragma once

#include <vector>

#include "db/basis/estimate.h"
#include "tests/study/session.h"

namespace loadline::study {

/// Stall torque (N·m), no-load speed (rad/s), peak power (W), its speed (rad/s), from the powered
/// part of a brake run.
std::vector<Estimate> naive_motor(const Session& session);

/// c0, c1, c2 and inertia of a coast-down pair: the speed is differenced row by row, the two runs
/// give two straight-line problems in τ/J, solved together.
std::vector<Estimate> naive_coast(const Session& session);

}  // namespace loadline::study
