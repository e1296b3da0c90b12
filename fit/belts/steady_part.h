// The steady part of a run: where run-up and run-down are over, and how fast it turned there.
//
// Speeds are averaged as whole turns over the time they took, so that what comes once or several
// times a turn (needle and hook, an uneven disc, a belt seam) leaves the mean. The steady part is
// what a run-down leaves, from the start that makes its mean known best by the marginal standard
// error rule (White, Simulation 69 (1997) 323), and then shortened while the speed still creeps.
// The standard uncertainty of the mean allows for noise that is correlated in time; it says
// nothing of how well the run would repeat after the belt was set anew.
#pragma once

#include <string>

#include "fit/readings/speeds/speed.h"

namespace loadline {

struct SteadyOptions {
  double least_seconds = 2;  ///< of a steady part, unless the run is shorter than three times this
  double least_turns = 20;   ///< 0: do not count turns
  /// Largest change of speed over the steady part, per cent of its mean. 1 % is a third of the
  /// smallest difference between belts that is worth having, as the mean moves by half of it.
  double tolerance_percent = 1;
  /// Change of the supply over the run in per cent, which the speed may follow besides.
  double supply_change_percent = 0;
};

struct SteadyPart {
  double start_s = 0, end_s = 0;
  double speed = 0;     ///< rad/s, over whole turns
  double speed_sd = 0;  ///< standard uncertainty of that mean
  double turns = 0;
  double change_percent = 0;  ///< of the speed from start to end of the steady part (fitted line)
  std::size_t knocks = 0;     ///< single readings far off their neighbours, left out
  std::string fault;          ///< why there is no steady part; empty when there is one
  bool found() const { return fault.empty(); }
};

/// Finds the steady part. Never throws: a trace without one has its `fault` in words.
SteadyPart steady_part(const SpeedTrace& trace, const SteadyOptions& options = {});

}  // namespace loadline
