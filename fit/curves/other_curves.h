// Other equations describe the same runs about as well: what they say of the four results besides.
//
// In: the chosen curve, the others with how likely they are against it. Out: relative doubt.
#pragma once

#include <vector>

#include "fit/curves/curve.h"

namespace loadline {

struct OtherCurve {
  Curve curve;
  double weight = 1;  ///< likelihood over the chosen curve's
};

/// Relative standard uncertainties.
struct ResultDoubt {
  double stall = 0, no_load = 0, power = 0, power_speed = 0;
};

/// Root of the weighted mean square of what the others differ by from `curve`, which stands beside
/// them with weight 1, beyond what their own greater variance explains.
ResultDoubt doubt_between(const Curve& curve, const std::vector<OtherCurve>& others);

}  // namespace loadline
