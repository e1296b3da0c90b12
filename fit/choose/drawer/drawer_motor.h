// A motor of the drawer.
#pragma once

#include <cstddef>
#include <cstdint>
#include <memory>

#include "db/parts.h"
#include "db/records.h"
#include "fit/curves/curve.h"

namespace loadline {

struct DrawerMotor {
  Part part;
  std::shared_ptr<const Curve> curve;
  RunKind kind = RunKind::kBrake;  ///< of the runs that the curve comes from
  std::size_t runs = 1;
  /// Part of the curve's variance that another run of this kind would have afresh; what is left is
  /// the same in every run (equation, calibration).
  double of_the_run = 0.5;
  /// Relative standard uncertainty of all its torques together that comes from the rig's arm and
  /// calibration, and the rig: motors of one rig share it. 0 where none is known.
  double scale_sd = 0;
  std::int64_t rig = 0;
};

}  // namespace loadline
