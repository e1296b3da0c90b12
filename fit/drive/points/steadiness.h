// Slow sewing: how far the speed falls when a thick seam comes.
//
// The pedal is set so that the machine runs at a wanted slow speed under its own drag; then a given
// torque is added at the hand wheel, the pedal held. The steeper the pedalled motor's curve through
// that point, as the hand wheel feels it, the steadier the machine.
#pragma once

#include <optional>

#include "fit/drive/load_lines/load_line.h"
#include "fit/drive/load_lines/supply.h"

namespace loadline {

enum class SlowRunning {
  kSteady,       ///< setting and drop are known
  kStalls,       ///< the setting is known, but the seam stops the machine
  kUnsteady,     ///< no stable running at that speed with this pedal: the speed runs off
  kTooSlow,      ///< even the full supply does not reach the wanted speed
  kNoModel,      ///< the motor's model does not say what this pedal does
  kNotAnswered,  ///< another pedal was asked about, or one that no setting stands for
};

struct Steadiness {
  SlowRunning running = SlowRunning::kNoModel;
  std::optional<Propagated> setting;  ///< see with_pedal
  std::optional<Propagated> drop;     ///< fraction of the speed lost under the seam
  std::optional<Propagated>
      stall_torque;  ///< N·m: left for the needle at the hand wheel as it stands still, pedal
                     ///< held, net of the machine's own drag there
};

/// `slow_speed` in rad/s at the hand wheel, `seam` in N·m at the hand wheel.
Steadiness slow_steadiness(const DriveCurve& motor, const DriveCurve& machine, const LoadLine& line,
                           Pedal pedal, double slow_speed, double seam);

}  // namespace loadline
