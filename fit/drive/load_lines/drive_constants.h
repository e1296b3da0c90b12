// What was chosen for the drive: edges of what was measured, belts away from the pulleys that they
// were measured on, and when a person is told.
#pragma once

#include "db/basis/chosen.h"

namespace loadline::drive_chosen {

// ---- edges of what was measured -----------------------------------------------------------------

/// Of the edge of a measured range, within which a figure still stands on it.
CHOSEN("drive", kEdge, 0.02);
/// Of the range: standstill torque of a curve measured down to this is a small step, beyond it a
/// leap (its error grew from 0.5 % to 5 % and more in simulated sessions).
CHOSEN("drive", kLowEnd, 0.1);
/// Of voltage or frequency: a change beyond which saturation and brush drop are no longer small.
/// Chosen.
CHOSEN("drive", kFarChange, 0.2);

// ---- a belt elsewhere (belt_law.h) --------------------------------------------------------------

/// How well the published exponents hold for a belt that nobody measured on two pairs (standard
/// uncertainty; ours: it spans a loss that does not change with the pulley and one with its
/// square).
CHOSEN("drive", kLossExponentSd, 0.5);
CHOSEN("drive", kSlipExponentSd, 0.7);
/// No power law is quite true: by how much the exponent between two pairs of pulleys departs from
/// the one that all pairs of a belt share (ours).
CHOSEN("drive", kExponentDeparts, 0.2);
/// Part of the creep that goes with the load, and its standard uncertainty; the rest stays whatever
/// the belt carries (ours).
CHOSEN("drive", kLoadShare, 1);
CHOSEN("drive", kLoadShareSd, 0.25);
/// With another motor a belt runs at another speed and is mounted anew: its loss and its slip
/// depart by these parts of themselves (ours).
CHOSEN("drive", kOtherMotorLoss, 0.1);
CHOSEN("drive", kOtherMotorSlip, 0.1);
/// What a slip check says of the largest torque, relative: the belt slides in it, warm, at speed
/// (ours).
CHOSEN("drive", kCapacitySd, 0.1);

// ---- when a person is told ----------------------------------------------------------------------

/// Width of an interval over its value beyond which draws serve better than first order.
CHOSEN("drive", kWide, 0.25);
/// Chance above which the seam is said to stop the machine: the far side of a 95 % interval.
CHOSEN("drive", kPossible, 0.025);
/// Per cent of speed that another pulley must bring to be named. Chosen.
CHOSEN("drive", kWorthwhile, 2);
/// Of the draws that cannot be: slow stitching says how many.
CHOSEN("drive", kNoticeable, 0.02);

// ---- a foot control that was measured (foot_control.h) ------------------------------------------

/// How much the mixture of two marks' curves changes over the speed: five times what fifteen motors
/// on phase angle showed that were followed through time (0.011), for controls that chop otherwise.
CHOSEN("drive", kMixtureSd, 0.05);
/// How the pedal's travel bends between its marks: from the cube root to the cube of the travel
/// lies within twice that. Ours.
CHOSEN("drive", kTravelSd, 0.2);
/// Of the torque: how far a motor's is off a straight line through its top speeds. Ours.
CHOSEN("drive", kBend, 0.03);

}  // namespace loadline::drive_chosen
