// What was chosen for readings: instruments where nobody states them, values that do not belong,
// how long runs are averaged, what rows tell of a tachometer.
#pragma once

#include "db/basis/chosen.h"

namespace loadline::reading_chosen {

// ---- instruments --------------------------------------------------------------------------------

/// s: a load cell's value against the speed beside it, where nobody states it, and least standard
/// uncertainty, between kinds of converters and their filters. Common practice.
CHOSEN("readings", kUsualLag, 0.1);
CHOSEN("readings", kLeastLagSd, 0.02);
/// Relative standard uncertainty of a clock: a crystal; the host's; a sound card's that was
/// checked. Common practice.
CHOSEN("readings", kClockSd, 50e-6);
CHOSEN("readings", kHostClockSd, 20e-6);
CHOSEN("readings", kCheckedClockSd, 5e-6);

// ---- values that do not belong ------------------------------------------------------------------

/// Standard deviations up to which a value counts whole, and from which not at all (Tukey's
/// biweight between them).
CHOSEN("readings", kFullWeight, 4);
CHOSEN("readings", kNoWeight, 6);
/// A spike is so many times further from the middle of its neighbours than values usually are, and
/// than most of these neighbours, and by that share of the speed.
CHOSEN("readings", kSpike, 8);
CHOSEN("readings", kBeyondNeighbours, 3);
CHOSEN("readings", kLeastSpike, 0.015);
/// At a kink the slope jumps so many times further than half of all jumps, and the parabola through
/// it misses by so many times the scatter of single values.
CHOSEN("readings", kKinkJump, 9);
CHOSEN("readings", kClearOfScatter, 8);

// ---- averages of long runs ----------------------------------------------------------------------

/// Of the highest speed, that neighbours may differ by: averaging over it bends a torque curve by
/// 1e-4 of its torque (the error is T''·(Δω)²/24, and T'' of a series motor at most 6·T/(ω₀²+…));
/// and the share of them that may differ by more.
CHOSEN("readings", kSteadyShare, 0.01);
CHOSEN("readings", kQuickNeighbours, 0.02);
/// Share of the repeats, and of the changes, that torque and speed have in common where a bench ran
/// steadily.
CHOSEN("readings", kTogether, 0.9);

// ---- what rows tell of a tachometer -------------------------------------------------------------

/// Reports per pulse from which the time since the last value counts pulses.
CHOSEN("readings", kSlowEnough, 2.1);
/// Reports that an edge may stray from its row: it lies at most one before it, either way.
CHOSEN("readings", kMostStray, 1.4);
/// Usual change from value to value, of the speed, from which smoothness tells the pulses; by how
/// much smoother they must be than means over rows, and than any other number.
CHOSEN("readings", kSteep, 0.01);
CHOSEN("readings", kFarSmoother, 0.4);
CHOSEN("readings", kSmootherThanOthers, 0.5);
/// Roughness of means over rows, over all that they change by, below which nothing is left for
/// edges to explain: few pulses a report misplace a row's mean by a tenth of it, many by a
/// hundredth.
CHOSEN("readings", kSmoothAsRows, 0.01);
/// Pulses per report beyond which it matters little where they lie.
CHOSEN("readings", kCloseReports, 4);
/// Relative: digits of the times between rows; of a pair of bounds that counts, in pulses a turn
/// over themselves; share of rows that repeat where an instrument waits for edges.
CHOSEN("readings", kDigitsOfTimes, 3e-4);
CHOSEN("readings", kMostDoubt, 0.01);
CHOSEN("readings", kLeastHeld, 0.02);
/// Rows between renewals of a display: more often, and every row has a value of its own. Of a row,
/// over the whole length: how finely its step is sought; times a step that makes it another one,
/// not the same seen more exactly.
CHOSEN("readings", kQuickestRenewal, 1.2);
CHOSEN("readings", kFineness, 0.05);
CHOSEN("readings", kOtherStep, 1.2);

}  // namespace loadline::reading_chosen
