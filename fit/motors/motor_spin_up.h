// A motor's curve from spin-ups against known inertia, with a tachometer alone.
#pragma once

#include "fit/motor_runs/motor_bench.h"
#include "fit/motor_runs/motor_findings.h"

namespace loadline {

/// Error(kInput) when no spin-up is usable or no equation describes them.
MotorFit fit_by_spin_up(const Book& book, const MotorBench& bench, const Part& motor,
                        const MotorFitOptions& options);

}  // namespace loadline
