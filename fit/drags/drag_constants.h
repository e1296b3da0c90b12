// What was chosen for drags: driven runs, and when no drag is given at all. How runs scatter and
// the ways to read a file: fit/coast_downs/row_constants.h.
#pragma once

#include "db/basis/chosen.h"

namespace loadline::drag_chosen {

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
/// How much runs scatter as wholes (standard deviation, share of the drag) before it is said.
/// Chosen.
CHOSEN("drag", kSaidScatter, 0.05);
/// Of ln J.
CHOSEN("drag", kMostInertiaSd, 0.5);
/// Standard deviations by which a drag is below zero for sure.
CHOSEN("drag", kSureSds, 3);

// ---- what the equation leaves open --------------------------------------------------------------

/// Relative standard uncertainties of c₀, c₁, c₂ and of J by digits, clocks and a ripple beyond the
/// first order (coverage table in tests/study/README.md).
CHOSEN("drag", kOpenC0, 1e-3);
CHOSEN("drag", kOpenC1, 2.6e-3);
CHOSEN("drag", kOpenC2, 4e-3);
CHOSEN("drag", kOpenInertia, 3e-4);

}  // namespace loadline::drag_chosen
