// What to record next: which run would do most for the choice, per minute at the bench.
//
// A run is an observation of some of the joint inputs. What it would be is drawn from what is known
// now, and what would then be known follows as for a linear model with normal errors (preposterior
// analysis; Raiffa and Schlaifer, Applied Statistical Decision Theory, 1961, from memory): the
// draws move by their regression on the observation. Degrees of freedom are left out of account.
//   top-speed   sees the two speeds of one candidate, each as well as one run repeats, and tells
//               of those with the same motor and belt
//   brake, spin-up, coast-down, driven
//               see the part of a curve's doubt that is the run's own afresh; what equation,
//               calibration or inertia leave open stays as it is
#pragma once

#include <vector>

#include "fit/choose/ranked.h"

namespace loadline {

/// Minutes at the bench for one run of a kind with its mounting, setting and repeats (common
/// practice, rough): a brake run up and down with a pause to cool 8, a spin-up 6, a pair of
/// coast-downs without and with a disc 10, a driven run 10, a top speed with its slip check 6.
double minutes_of(RunKind kind);

/// The best few by expected gain per minute, best first; none that would do nothing. `choices` are
/// ranked and judged.
std::vector<NextRun> next_runs(const Drawer& drawer, const Predictor& predictor,
                               const std::vector<Choice>& choices);

}  // namespace loadline
