// Runs of one motor that disagree as wholes: which, and by how much of the torque.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "fit/brake_runs/sweep_fit.h"
#include "fit/spin_ups/spin_up.h"

namespace loadline {

/// A run's torques over the first run's, at the same speeds.
struct RunLevel {
  std::int64_t run = 0;
  double torque = 1;
  double sd = 0;  ///< of `torque`, by the scatter of its readings
};

/// Each run's readings against the curve, warmth from run to run not taken off. Empty for one run.
std::vector<RunLevel> levels_of(const SweepFit& fit);

/// Inertia over the time from one speed to another that all runs went through. Runs whose supply
/// differs from the first's by more than two per cent are left out.
std::vector<RunLevel> levels_of(const std::vector<RunUp>& runs);

/// What is wrong with a run that no warmth of its winding explains, and what to do, as a part of a
/// sentence; empty where there is none.
std::string too_far_apart(const std::vector<RunLevel>& levels);

/// Sentences about the others that differ by more than runs of an evening should.
std::vector<std::string> said_apart(const std::vector<RunLevel>& levels);

}  // namespace loadline
