// What was chosen for the choice from a drawer. Judged by what came of the choices in
// tests/study/drawers, which count how often the chances were right.
#pragma once

#include "db/basis/chosen.h"

namespace loadline {

// ---- the choice ---------------------------------------------------------------------------------

/// Speeds that differ by less than this part are as good as each other: a choice is right while
/// nothing that also meets the aims is faster by more. What nobody feels; chosen.
CHOSEN("choose", kWorthOfSpeed, 0.01);
/// Chance that is sure enough to be built on, and to stop measuring.
CHOSEN("choose", kSure, 0.95);

// ---- belts by their runs (belt_runs.h) ----------------------------------------------------------

/// How one run repeats, as a relative standard uncertainty, where a belt was seen only once: its
/// speed, and two tachometers against each other (ours).
CHOSEN("choose", kSpeedOfOneRun, 2e-3);
CHOSEN("choose", kQuotientOfOneRun, 2e-4);
/// Degrees of freedom that this is worth beside the scatter of runs that repeat.
CHOSEN("choose", kUsualFreedom, 2);
/// The same of a slip check's creep speed: a careful hand sets a belt about so well (ours).
CHOSEN("choose", kCreepOfOneCheck, 0.1);
/// How far off runs with another motor are, and with another hand pulley, in the logarithm of the
/// motor pulley's diameter: a pulley half as large again, and little (ours).
CHOSEN("choose", kOtherMotor, 0.4);
CHOSEN("choose", kOtherHandPulley, 0.05);

// ---- the next run -------------------------------------------------------------------------------

/// Chance of being right below which a candidate is no contender; gain in it that is no reason to
/// record anything. Chosen.
CHOSEN("choose", kLeastRight, 0.02);
CHOSEN("choose", kLeastGain, 0.005);
/// Of the drag's variance, that another pair of coast-downs or a driven run has afresh; the rest is
/// what digits, clocks and ripple leave open in each. A guess between the two ends.
CHOSEN("choose", kDragOfTheRun, 0.5);

}  // namespace loadline
