// What was chosen for a subject's evenings: when a change is said to have happened, and which runs
// tell anything.
#pragma once

#include "db/basis/chosen.h"

namespace loadline::history_chosen {

/// Chance that one of the changes shown is none; chance that a change of the size named is found.
/// The usual 5 % and 90 % of such tests.
CHOSEN("history", kFalseAlarms, 0.05);
CHOSEN("history", kFound, 0.9);
/// Of −2 ln L, by which a trend must be better: 2 ln 20, e.g. 20 : 1 by likelihood.
CHOSEN("history", kTrendIsBetter, 5.991);
/// Factor a year: a trend whose limits lie further apart says nothing. Chosen.
CHOSEN("history", kWidestTrend, 9);
/// Relative standard uncertainty of a run's drag beyond which the run tells nothing. Chosen.
CHOSEN("history", kLoosest, 0.5);

}  // namespace loadline::history_chosen
