// What was chosen for belts: what is known beforehand of supply and slip setting, slip checks, and
// how a belt sits in its groove.
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

// ---- how a belt and a pulley sit (seat.h) -------------------------------------------------------

/// Of its height, that a V-belt may stand proud of its groove, or sink into it, and still be held
/// by its sides; sunk deeper than the third it is said. Common practice.
CHOSEN("belts", kMostProud, 0.2);
CHOSEN("belts", kMostSunk, 0.5);
CHOSEN("belts", kSunkWarning, 0.3);
/// mm; of the height the last: standard uncertainties of calliper sizes in soft belts and turned
/// grooves, and of the tension line. Common practice.
CHOSEN("belts", kWidthSd, 0.05);
CHOSEN("belts", kRimSd, 0.05);
CHOSEN("belts", kTensionLineSd, 0.05);
/// mm of play in a bore beyond which a pulley runs out of true. Common practice.
CHOSEN("belts", kMostPlayMm, 0.15);

}  // namespace loadline::belt_chosen
