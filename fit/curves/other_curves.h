// Other fits of the same runs, by another equation or another way to read them: what they say of
// the four results besides.
//
// In: the chosen curve, the others with how likely they are against it. Out: relative doubt.
#pragma once

#include <vector>

#include "fit/curves/results.h"

namespace loadline {

struct OtherCurve {
  Curve curve;
  double weight = 1;  ///< likelihood over the chosen curve's
  /// Of the variances' difference, which explains that much of what differs; −1: which is doubt of
  /// the curve, too.
  double allowed = 1;
};

/// Root of the weighted mean square of what the others differ by from `curve`, which stands beside
/// them with the weight `own`, beyond what their own greater variance explains. Nothing without
/// others.
ResultDoubt doubt_between(const Curve& curve, const std::vector<OtherCurve>& others,
                          double own = 1);

}  // namespace loadline
