// What was chosen for spin-ups: the stretch, what a tachometer's rows can be, the score of the ways
// to read them.
#pragma once

#include "db/basis/chosen.h"

namespace loadline::spin_up_chosen {

// ---- the stretch --------------------------------------------------------------------------------

/// Of the usual supply: the motor is switched on.
CHOSEN("spin-up", kOnShare, 0.95);
/// s after the switch, of a supply channel that takes means itself.
CHOSEN("spin-up", kSettling_s, 1);
/// s, between moments at which the supply is taken, and over which it is averaged either way.
CHOSEN("spin-up", kSupplyStep, 0.05);
CHOSEN("spin-up", kSupplyReach, 0.25);
/// Windows shorter than this share of the gain in speed and of the stretch are joined.
CHOSEN("spin-up", kJoinedGain, 0.003);
CHOSEN("spin-up", kJoinedShare, 1.0 / 400);
/// Of a window's length that it may share with the one before.
CHOSEN("spin-up", kOverlap, 0.75);
/// The solution's steps: in each the speed gains at most this share of the top speed, and a step is
/// at most this share of the stretch.
CHOSEN("spin-up", kStepGain, 0.02);
CHOSEN("spin-up", kStepShare, 1.0 / 60);

// ---- what a row says ----------------------------------------------------------------------------

/// rad, standard deviation of an edge's place in its slot: usual, of one to some dozen slots in a
/// turn, and the most, of a single one (π/√3).
CHOSEN("spin-up", kUsualSlotSd, 0.2);
CHOSEN("spin-up", kWidestSlotSd, 1.8);
/// Age of an edge at the end of a row, by the greatest standard deviation of its place: from none
/// to half a slot, √3 of them.
CHOSEN("spin-up", kAge, 0.9);
CHOSEN("spin-up", kAgeSd, 0.8);
/// Speed at a window's start over its mean: not less, however close to standstill.
CHOSEN("spin-up", kSlowestOfWindow, 0.3);
/// rad that a row is late anyway: edges that come in step with the rows show no scatter. Chosen.
CHOSEN("spin-up", kLateAnyway, 0.15);

/// Standard deviation of the logarithm of the turns that a display may take its mean of: from a
/// part of one to ten.
CHOSEN("spin-up", kSpanTurnsLogSd, 1);
/// s that a display or a filter takes its mean over, likewise: from hundredths to two.
CHOSEN("spin-up", kSpan_s, 0.2);
CHOSEN("spin-up", kSpanLogSd, 1.2);

/// rad by which a turn is shown late where a display shows the middle one of the last three or
/// five: one or two turns, and the age of the last one.
CHOSEN("spin-up", kTurnsLate, 12.6);
CHOSEN("spin-up", kTurnsLateSd, 4);
/// Of a turn: how far its end is uncertain at least, however quickly rows come.
CHOSEN("spin-up", kLeastAge, 0.03);

// ---- noise and score ----------------------------------------------------------------------------

/// Of the top speed: what digits leave of perfect data.
CHOSEN("spin-up", kFloor, 1e-4);
/// Of −2 ln L, most that one value counts: six standard deviations.
CHOSEN("spin-up", kMostOfValue, 36);
/// Standard deviation of the warmth's growth over the usual one: from none to three times as much.
CHOSEN("spin-up", kWarmthSd, 1.2);
/// A score counts the course of the speed twice and more, so that its differences are worth a
/// third (as in row_readings.cc).
CHOSEN("spin-up", kScoreCounts, 3);
/// What another equation may leave, over what the best does, that nothing decides between the two:
/// of a long run's thousands of values an AICc makes much of the least that is not as it is taken
/// to be.
CHOSEN("spin-up", kAsGood, 1.1);
/// A way to read rows that lies so far behind by its score is not looked at with bends, and one
/// that counts less than this not with another equation.
CHOSEN("spin-up", kFarBehind, 60);
CHOSEN("spin-up", kHardly, 0.005);
/// χ² of one degree of freedom that one in twenty exceeds.
CHOSEN("spin-up", kByChance, 3.84);
/// Of the top speed: the slow part of a spin-up, without which it must say the same; also counted
/// from its slowest reading up.
CHOSEN("spin-up", kSlowPart, 0.15);
/// Of the top speed, over which a push is taken.
CHOSEN("spin-up", kGainShare, 0.04);
/// The same of the first two pushes, which tell how large the torque at standstill is.
CHOSEN("spin-up", kFirstPush, 0.1);
/// Saturation σ times the greatest torque, as usual for such motors, for the heating by current.
CHOSEN("spin-up", kSaturation, 0.4);

}  // namespace loadline::spin_up_chosen
