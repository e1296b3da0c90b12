// A curve as rows, for whoever draws it without knowing its equation.
#pragma once

#include "db/basis/estimate.h"
#include "fit/curves/curve.h"

namespace loadline {

/// Rows from standstill to `speed_high` (rad/s): rpm, N·m, and the 95 % limits of the torque.
Json curve_rows(const Curve& curve, double speed_high);

}  // namespace loadline
