// The runs of a motor as its fit takes them up: brake, no-load and spin-up runs, and its own drag.
//
// In: a motor's runs in the book, what a person asks for (motor_options.h).
// Out: the runs read and aligned, its own drag, and what is wrong with them (bench_faults.h,
// motor_gate.h).
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "fit/brake_runs/sweep_fit.h"
#include "fit/motor_runs/motor_options.h"

namespace loadline {

struct MotorBench {
  std::vector<std::unique_ptr<BenchRun>> brake;
  std::vector<NoLoadPoint> no_load;
  std::vector<Readings> spin_ups;
  std::optional<OwnDrag> own_drag;
  std::vector<std::string> warnings;  ///< of runs that were left out
};

/// The runs that `options` wants. Error(kInput) when none of them gives a curve, with what to
/// record.
MotorBench motor_bench(const Book& book, const Part& motor, const MotorFitOptions& options);

/// The supply that the curve stands for: asked for, else the rated one when the runs were made near
/// it, else what the runs had; NaN when nobody knows.
double reference_supply(const MotorBench& bench, const Part& motor, const MotorFitOptions& options);

}  // namespace loadline
