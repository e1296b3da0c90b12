// A foot control that was measured: motor and control together at marked positions of the pedal.
//
// An electronic control chops the supply, and no voltage or resistance stands for what it does. But
// the shaft's torque over speed with the pedal held at a mark is a curve like any other, and
// between two marks a, b, of which b gives more torque, it is taken as
//   T(ω) = T_a(ω) + λ(ω)·(T_b(ω) − T_a(ω)),   λ(ω) = λ + e·4λ(1 − λ)·c·ω/ω_high.
// λ follows from the torque that the wanted speed needs, so how the pedal's travel goes with the
// torque does not matter to what the motor then does. Exact where the control multiplies one curve
// (a lowered voltage on any of the motor equations, less the motor's own friction). How much the
// mixture changes over the speed is in doubt by e, of standard uncertainty 1, c is kMixtureSd
// (drive_constants.h). The mark itself is interpolated too, a + (b − a)·(λ + 4λ(1 − λ)·s): the
// pedal's travel may bend between its marks, so s has the standard uncertainty kTravelSd. SI
// throughout. Pure functions; any thread.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "fit/drive/figures/question.h"

namespace loadline {

/// One mark of the pedal, in the units of its owner's scale, and the curve there.
struct MarkedCurve {
  double mark = 0;
  std::shared_ptr<const Curve> curve;
};

/// The curve between two marks: the parameters of both, then "position" (λ, here 1), "mixture" (e,
/// here 0) and "travel" (s, here 0). Ranges are those that both were measured in.
Curve between_marks(const Curve& less, const Curve& more);

/// Motor and control around the slow speed that is asked for.
struct PedalMarks {
  std::shared_ptr<const Curve> curve;  ///< null where the marks do not answer
  double less = 0, more = 0;           ///< the marks that it lies between
  std::string warning;                 ///< why not, and what to record; else empty
};

/// Of all marks the two whose torques enclose what the slow speed of `question` needs, by its
/// machine, ratio and belt. At least one mark; a slow speed must be asked for.
PedalMarks marks_around(const DriveQuestion& question, const std::vector<MarkedCurve>& marks);

}  // namespace loadline
