// What was chosen for drags: how runs may scatter, the ways to read a file, driven runs, and when
// no drag is given at all.
#pragma once

#include "db/basis/chosen.h"

namespace loadline::drag_chosen {

// ---- runs that scatter --------------------------------------------------------------------------

/// Standard deviation that holds the level of a run loosely: a third more drag or less.
CHOSEN("drag", kLoose, 0.3);

// ---- ways to read a file: scores are −2 ln L with twice the parameters --------------------------

/// So far behind without a ripple none is tried; ways further behind are not tried at all ages.
CHOSEN("drag", kHopeless, 400);
CHOSEN("drag", kWorthAges, 60);
/// A score counts the course of the speed twice and more: its differences are worth a third.
CHOSEN("drag", kScoreCounts, 3);
/// The same of displays that take in turns, whose weights are drawn with one or two lines only.
CHOSEN("drag", kTurnScoreCounts, 100);
/// Against a way: a display renewed every so many rows mostly shows the mean since it was renewed.
CHOSEN("drag", kUnusualDisplay, 60);
/// Standard deviation of ln(age), tried out at several ages; and of the turns that a display works
/// on, one to six or so.
CHOSEN("drag", kLogAgeSd, 0.4);
CHOSEN("drag", kUsualLogTurns, 2.5);
CHOSEN("drag", kUsualLogTurnsSd, 0.8);
/// Standard deviations of the plainer reading beyond which edges contradict it.
CHOSEN("drag", kContradicts, 5);
/// Of the top speed: what is left out in turn at either end, and what one difference in twenty of
/// four parameters exceeds by chance (χ², 4 degrees of freedom).
CHOSEN("drag", kUpperEnd, 0.8);
CHOSEN("drag", kLowerEnd, 0.2);
CHOSEN("drag", kChance, 9.49);
/// Displays that take in turns, in closed form, come out with up to 0.4 % of c₀ off, turned about a
/// third of the top speed (row_readings_test.cc).
CHOSEN("drag", kOff, 0.003);
CHOSEN("drag", kTurnedAbout, 3);

// ---- driven runs --------------------------------------------------------------------------------

/// Of the greatest speed in a second: slower changes are steady, the inertia's part of the torque
/// is then below what the motor's curve is known to.
CHOSEN("drag", kSteady, 0.012);
/// Of the standstill torque: what the motor's equation leaves open, as for its own results.
CHOSEN("drag", kEquation, 0.003);

// ---- no drag at all: what no sound coast-down comes near, though limits grow with what is left
// over ---

/// Residuals (rms) and means of neighbours of them, of the range of speeds.
CHOSEN("drag", kMostResidual, 0.05);
CHOSEN("drag", kMostCourse, 0.01);
/// Times the variance of the course that the noise explains.
CHOSEN("drag", kMostUnexplained, 60);
/// Of ln J.
CHOSEN("drag", kMostInertiaSd, 0.5);
/// Standard deviations by which a drag is below zero for sure.
CHOSEN("drag", kSureSds, 3);
/// Relative, of J: what digits, clocks and a ripple beyond the first order leave open; of c₀, c₁,
/// c₂ kOpen in drag_fit.cc (coverage table in tests/study/README.md).
CHOSEN("drag", kOpenInertia, 3e-4);

}  // namespace loadline::drag_chosen
