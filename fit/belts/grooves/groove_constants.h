// What was chosen for how a belt and a pulley sit (seat.h).
#pragma once

#include "db/basis/chosen.h"

namespace loadline::belt_chosen {

/// Of its height, that a V-belt may stand proud of its groove, or sink into it, and still be held
/// by its sides; sunk deeper than the third it is said. Common practice.
CHOSEN("belts", kMostProud, 0.2);
CHOSEN("belts", kMostSunk, 0.5);
CHOSEN("belts", kSunkWarning, 0.3);
/// Tension line of a V-belt, as a share of its height below the top (seat.h).
CHOSEN("belts", kTensionLine, 0.34);
/// mm; of the height the last: standard uncertainties of calliper sizes in soft belts and turned
/// grooves, and of the tension line. Common practice.
CHOSEN("belts", kWidthSd, 0.05);
CHOSEN("belts", kRimSd, 0.05);
CHOSEN("belts", kTensionLineSd, 0.05);
/// mm of play in a bore beyond which a pulley runs out of true. Common practice.
CHOSEN("belts", kMostPlayMm, 0.15);

}  // namespace loadline::belt_chosen
