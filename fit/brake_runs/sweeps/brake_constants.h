// What was chosen for brake runs: alignment, priors, noise, and the gates of bench_faults.cc and
// motor_gate.cc.
// Torques are shares of the greatest torque of the run unless another unit stands beside them.
#pragma once

#include "db/basis/chosen.h"

namespace loadline::brake_chosen {

// ---- what is known beforehand (standard deviations) -------------------------------------------

/// Drift of the zero over a run. Converters of such cells drift by some ten counts a minute; judged
/// on the simulated bench's cell.
CHOSEN("brake", kDriftShare, 0.01);
/// A zero does not wander in a straight line: bow beside the slope, share of its size. Chosen.
CHOSEN("brake", kBowShare, 0.15);
/// Growth of the winding's resistance in a run: 0.39 % per kelvin (IEC 60028), 15 K.
CHOSEN("brake", kHeatSd, 0.06);
/// From run to run the winding's warmth differs by more than within one, by this factor. Chosen.
CHOSEN("brake", kWarmShare, 2);
/// kg·m², when nobody says what turns with the shaft: small motors' rotors and drums lie below.
CHOSEN("brake", kUnknownInertiaSd, 2e-4);
/// Relative, of an inertia that is given without an uncertainty. Chosen.
CHOSEN("brake", kGivenInertiaSd, 0.02);
/// Turns of the shaft that the speeds of a file are late by, mean and standard deviation: up to
/// half a turn and a pulse (reciprocal counting), or none.
CHOSEN("brake", kTurnsLate, 0.2);
CHOSEN("brake", kTurnsLateSd, 0.3);
/// The same where the tachometer is stated, and its pulses: what slots are uneven by.
CHOSEN("brake", kKnownTurnsSd, 0.03);
/// Of what an even mean would spread. Chosen.
CHOSEN("brake", kSpreadDoubt, 0.6);

// ---- noise --------------------------------------------------------------------------------------

/// What alignment and the digits of a file leave even of perfect data.
CHOSEN("brake", kNoiseFloor, 2e-4);
/// Nothing smaller than some of these is called an outlier.
CHOSEN("brake", kOutlierFloor, 1e-3);
/// Of n points without stated uncertainties a value stands out from the bulk by 1 + kOfFew/n times
/// as much: of normal noise about a line the one that does so most is beyond 4·(1 + 5.5/n) standard
/// deviations, as the median of all tells them, in one notebook of a hundred (20,000 drawn for each
/// n from 6 to 60).
CHOSEN("brake", kOfFew, 5.5);
/// Most correlation factor while the noise is below kCleanNoise times the floor: in data this clean
/// the pattern is the alignment's.
CHOSEN("brake", kCleanFactor, 20);
CHOSEN("brake", kCleanNoise, 5);
/// Noise at the first search, before any residual.
CHOSEN("brake", kFirstNoise, 0.003);
/// A value that stands out from its neighbours by so many standard deviations of their differences
/// is bridged where the fit gave it no weight.
CHOSEN("brake", kStandsOut, 4);

// ---- windows of the torque balance (torque_balance.h) -------------------------------------------

/// Half width of a window over the time between torque values, and over the cell's lag: so wide
/// that what instruments average is small against it.
CHOSEN("brake", kValuesWide, 4);
CHOSEN("brake", kLagsWide, 3);
/// s, at least: longer than a brake's chatter.
CHOSEN("brake", kLeastHalfWidth, 0.35);
/// s between torque values that still show a course.
CHOSEN("brake", kLongestStep, 0.3);
/// Half widths in a run: fewer, and single values are fitted; more, and windows widen.
CHOSEN("brake", kLeastRuns, 12);
CHOSEN("brake", kMostRuns, 120);
/// Of a half width, between values in a window.
CHOSEN("brake", kLongestGap, 0.4);

/// Of rows on the lesser leg, below which a sweep is one way.
CHOSEN("brake", kOneWay, 0.12);

// ---- tests in steps (plateaus.h) ----------------------------------------------------------------

/// Speeds of a step lie within this share of the top speed, or so many standard deviations of their
/// chatter; those of two steps are apart by another share.
CHOSEN("brake", kPlateau, 0.015);
CHOSEN("brake", kChatter, 6);
/// Of that, by which a step's last third differs from its first.
CHOSEN("brake", kMostTrend, 0.3);
CHOSEN("brake", kStepsApart, 0.04);
/// s between values, of torque or of speed, from which on the way to a step cannot be followed.
CHOSEN("brake", kSlowRows_s, 0.2);
/// Seconds of a step, and the share of all values that are steady.
CHOSEN("brake", kShortestPlateau_s, 1);
CHOSEN("brake", kLeastSteady, 0.4);
/// A torque has settled within so many standard deviations of the step's middle half.
CHOSEN("brake", kSettled, 4);

// ---- alignment ----------------------------------------------------------------------------------

/// A run is aligned anew when its lag moved by this share of the time between torques, or its
/// turns by kSameTurns.
CHOSEN("brake", kSameLag, 0.05);
CHOSEN("brake", kSameTurns, 0.01);
/// s of a motor's start that are left out at most.
CHOSEN("brake", kLongestRunUp, 1.2);
/// s either way over which a supply channel is averaged: the mains move slowly, its last digit
/// does not.
CHOSEN("brake", kSupplyReach, 0.25);

// ---- gates: what an interval of a per cent or two cannot leave unsaid ---------------------------
// Set on sound sessions (none may be refused) and on the spoilt ones of bench_faults_test.cc and
// awkward_tables_test.py.

/// Torque that is off where it should be nothing.
CHOSEN("brake", kSmall, 0.01);
/// Structure of the residuals over speed, or between the halves of a run.
CHOSEN("brake", kMisfit, 0.03);
/// Of a run's values, that belong to no curve.
CHOSEN("brake", kMostAside, 0.2);
/// A torque that stands still for so many seconds, and so many values, while the speed moves by
/// kMovedShare of the top speed.
CHOSEN("brake", kLongestStand_s, 1);
CHOSEN("brake", kStandRows, 12);
CHOSEN("brake", kMovedShare, 0.1);
/// Of the values that are exactly the greatest: the converter is at its end.
CHOSEN("brake", kLeastAtEnd, 0.03);
/// Of the values that are exactly 0 between two above kLoaded.
CHOSEN("brake", kDroppedOut, 0.01);
CHOSEN("brake", kLoaded, 0.05);
/// A jump of the speed by this share of it that needs so many times the greatest torque.
CHOSEN("brake", kJump, 0.15);
CHOSEN("brake", kMostPush, 2.5);
/// A speed that halves or doubles from one value to the next: from this share of the top speed on,
/// to this share of the jump, while it moves by no more than kStandsBeside of it on either side and
/// the torque stays to this share of the greatest.
CHOSEN("brake", kFastHalving, 0.3);
CHOSEN("brake", kNearHalf, 0.05);
CHOSEN("brake", kStandsBeside, 0.25);
CHOSEN("brake", kSameTorque, 0.05);
/// A torque off its curve that changes at once: by so much, and by so many standard deviations of
/// single values on either side, so that hardly any of one side lies among the other's.
CHOSEN("brake", kStepAtOnce, 0.05);
CHOSEN("brake", kAtOnceScatters, 4);
/// Torque of the second half over the first at the same speed, as drift and warming make it: a
/// winding that warms takes torque away, and not the better part of it.
CHOSEN("brake", kMostRise, 0.05);
CHOSEN("brake", kMostFall, 0.25);
/// Scatter of single values.
CHOSEN("brake", kMostScatter, 0.1);
/// Standard deviations by which an inertia is below nothing.
CHOSEN("brake", kCertainly, 3);
/// How much of a curve may be blurred in time (SweepFit::blur), which half an interval then is
/// twice of at standstill: a quarter of a figure is an answer still.
CHOSEN("brake", kMostBlur, 0.125);
/// Readings of which most lie below this share of the greatest.
CHOSEN("brake", kNegative, 0.05);
/// Peak power over the plate's; of a spin-up's speeds, about the curve, over their range.
CHOSEN("brake", kMostOfPlate, 8);
CHOSEN("brake", kMostSpeedResidual, 0.05);
/// Standard deviations of the drift, and of the warmth (one is 6 %, so that 8 are 120 K).
CHOSEN("brake", kFarOff, 4);
CHOSEN("brake", kTooWarm, 8);
/// Of the torque, by which a run may differ from the first at the same speed, as its winding is
/// warmer or colder (64 K), and from which on it is said.
CHOSEN("brake", kMostApart, 0.25);
CHOSEN("brake", kSaidApart, 0.05);

}  // namespace loadline::brake_chosen
