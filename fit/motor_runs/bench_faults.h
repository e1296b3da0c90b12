// What the readings of brake runs show to be wrong before anything is fitted: then no curve is an
// answer. What a fit shows stands in motor_gate.h.
#pragma once

#include <string>

#include "fit/brake_runs/sweep_fit.h"
#include "fit/motor_runs/motor_bench.h"

namespace loadline {

/// What the readings of the brake runs show to be wrong whichever curve is fitted: torque of the
/// wrong sign, a zero that is off, a cell that stands still or is at its end, a speed that jumps.
/// The first fault found with what to do, as a part of a sentence; empty when nothing is seen.
/// `sweeps` are those of the brake runs.
std::string reading_fault(const MotorBench& bench, const std::vector<Sweep>& sweeps);

}  // namespace loadline
