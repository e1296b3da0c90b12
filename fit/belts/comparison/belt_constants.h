// What was chosen for the comparison of belts: what is known beforehand of supply and slip setting,
// and slip checks. How a belt sits in its groove: grooves/groove_constants.h.
#pragma once

#include "db/basis/chosen.h"

namespace loadline::belt_chosen {

// ---- comparison of top speeds -------------------------------------------------------------------

/// d ln(speed) / d ln(supply) where nothing better is known: an induction motor has about 0.1, a
/// series motor about 1.2 (comparison.h).
CHOSEN("belts", kSupplyEffect, 0.7);
CHOSEN("belts", kSupplyEffectSd, 0.5);
/// d ln(speed) / d ln(creep speed) is 0 within this, beforehand: a tenth more tension costs some
/// parts in a thousand of speed and gives back less by its slip (comparison.h).
CHOSEN("belts", kSettingEffectSd, 0.04);
/// Spread of ln(creep speed) below which settings are alike: times kSettingEffectSd it moves a
/// speed by less than a thousandth.
CHOSEN("belts", kLeastSpread, 0.02);
/// Per cent, half width (95 %) of a run's own speed beyond which the run is named: it hides a
/// difference of that size. Chosen.
CHOSEN("belts", kUnsteadyPercent, 0.5);

// ---- slip checks --------------------------------------------------------------------------------

/// Per cent of the middle creep speed or torque that a setting may lie above it; below it by the
/// same as a factor. The band is that of the checks themselves between these two. Chosen.
CHOSEN("belts", kLeastBandPercent, 25);
CHOSEN("belts", kMostBandPercent, 60);
/// Of the motor's speed, and rpm: the hand wheel turns. Driven, it turns at a twelfth of it or
/// faster; a tachometer's noise at rest stays far below a fiftieth.
CHOSEN("belts", kTurningShare, 0.02);
CHOSEN("belts", kTurningLeastRpm, 3);

}  // namespace loadline::belt_chosen
