// What was chosen for motor curves: beliefs of the series motor, the choice among equations, and
// what the equations leave open. The last are standard uncertainties set by the coverage study
// (tests/study/README.md, sessions 1 to 60 and 3001 to 3500 of brake runs, 2001 to 2040 of
// spin-ups; counted on others).
#pragma once

#include "db/basis/chosen.h"

namespace loadline::motor_chosen {

// ---- wide beliefs of a series motor where its data are silent -----------------------------------

/// Corner speed ω₀ over the highest speed, and the standard deviation of its logarithm (a factor of
/// e either way). Domestic motors lie at some tenths.
CHOSEN("motor", kCornerShare, 0.35);
CHOSEN("motor", kCornerLogSd, 1.0);
/// ωₓ over the highest speed.
CHOSEN("motor", kReactanceShare, 0.25);
CHOSEN("motor", kReactanceSd, 0.25);
/// Saturation σ times the greatest torque: 0 for iron that stays linear, about 0.5 for a
/// hard-driven one.
CHOSEN("motor", kSaturation, 0.2);
CHOSEN("motor", kSaturationSd, 0.8);
/// d₀, d₁, d₂ at top speed over the greatest torque: friction and fan take some per cent.
inline constexpr double kDragShare[3] = {0.03, 0.03, 0.05};
inline constexpr double kDragShareSd[3] = {0.03, 0.05, 0.06};

/// Single phase: strength of the field that turns backwards, over that which turns forwards, and
/// the standard deviation of its logarithm: anything from a small part of it to all.
CHOSEN("motor", kBackward, 0.5);
CHOSEN("motor", kBackwardLogSd, 1);

/// Armature reaction α, and the standard deviation of its logarithm (of α/(1 − α)): from next to
/// nothing to a third of the flux.
CHOSEN("motor", kReaction, 0.1);
CHOSEN("motor", kReactionLogSd, 1);

// ---- which equation -----------------------------------------------------------------------------

/// AICc by which another equation must be better than the motor's entered type, and than the usual
/// one (e⁻⁴ : 1 by Akaike weights).
CHOSEN("motor", kAgainstType, 15);
CHOSEN("motor", kClearly, 8);
/// AICc by which a line that the armature bends must be better than a straight one (of straight
/// ones some two in a hundred are), and two turning fields better than one.
CHOSEN("motor", kBendsClearly, 3);
/// Lowest over highest measured speed below which AICc is taken at its word.
CHOSEN("motor", kWholeRange, 0.25);
/// Least count of values that AICc may go by: however long the noise remembers, a sweep tells apart
/// shapes that miss it by many times its noise.
CHOSEN("motor", kLeastValues, 40);
/// SmoothFit::rise_evidence beyond which a spline is said to rise: e⁵ : 1.
CHOSEN("motor", kRises, 10);

// ---- what the equations leave open, relative ----------------------------------------------------

/// In every torque within the measured speeds: iron, brushes and warming winding of a real motor
/// are richer. The place of a flat maximum feels it most.
CHOSEN("motor", kEquation, 0.0042);
CHOSEN("motor", kPlaceOfPeak, 0.006);
/// Standstill torque, with x the lowest over the highest speed: kStandstill, kStallNear·x and
/// kStallShape·x² together (how iron saturates decides the first, and no two motors' iron does it
/// alike); above kStallOutOfReach no number is given.
CHOSEN("motor", kStandstill, 0.005);
CHOSEN("motor", kStallNear, 0.1);
CHOSEN("motor", kStallShape, 0.7);
CHOSEN("motor", kStallOutOfReach, 0.45);
/// Nor where readings begin above the speed of peak power, typed points above this share of it,
/// unless the curve is straight.
CHOSEN("motor", kStallCorner, 0.65);
/// Nor where the curve at standstill is so many times as high as where the readings begin.
CHOSEN("motor", kStallTimes, 4);
/// Of a spin-up: it passes its lowest speeds in a few hundredths of a second, between swings of the
/// mains; its tachometer knows the speed without load better than readings of torque do.
CHOSEN("motor", kSpinUpStandstill, 0.006);
CHOSEN("motor", kSpinUpPlace, 0.004);
CHOSEN("motor", kSpinUpNoLoad, 0.001);
/// Standstill is met in the few seconds that heat the winding most: share of the warm-up found.
CHOSEN("motor", kWarmthLaw, 0.045);
/// Speed without load: by x², and by how far it lies beyond the highest speed.
CHOSEN("motor", kNoLoadShape, 0.02);
CHOSEN("motor", kNoLoadBeyond, 0.04);
/// Peak power and its speed, by their distance from the measured range over the highest speed.
CHOSEN("motor", kPowerShape, 0.35);
CHOSEN("motor", kPowerSpeedShape, 1.3);

/// Standard deviations of what equations leave out, of which typed points tell how much it is. The
/// share of the flux that the armature takes at standstill, which bends a straight line: some per
/// cent of ferrite's, a tenth of the flux of stronger armatures (machines texts); half of what a
/// fan takes at top speed is in it.
CHOSEN("motor", kSlightBend, 0.03);
CHOSEN("motor", kBend, 0.1);
/// Resistance of an induction motor's stator over its rotor's, about 1 (any machines text).
CHOSEN("motor", kStator, 1);
/// Strength of a field that turns backwards, over that which turns forwards: a small part with a
/// capacitor that runs on, more with a shading ring.
CHOSEN("motor", kAgainst, 0.3);

/// Of points typed without their uncertainties: how many times as large a speed's error, over that
/// speed, may be as a torque's, over the greatest torque. From a counter beside a coarse balance to
/// a hand-held dial beside a fine one.
inline constexpr double kSpeedShares[] = {0.25, 0.5, 1, 2};

// ---- temperatures and starts --------------------------------------------------------------------

/// K: of a winding's temperature that a person states; of a case against the winding in it, both at
/// rest.
CHOSEN("motor", kSaidSd, 2);
CHOSEN("motor", kSensorSd, 4);
/// Flux that magnets lose for each kelvin that the winding warms (ferrite, from memory), and its
/// standard uncertainty.
CHOSEN("motor", kFluxPerK, -0.002);
CHOSEN("motor", kFluxPerKSd, 0.0006);
/// Relative: what brushes and supply do to the speed between one start and the next (common
/// practice).
CHOSEN("motor", kNoLoadRepeats, 0.004);

}  // namespace loadline::motor_chosen
