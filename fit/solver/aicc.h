// Akaike's criterion for small samples.
#pragma once

#include <algorithm>

namespace loadline {

/// What −2 ln L is raised by for k fitted parameters and n values: 2k + 2k(k+1)/(n−k−1) (Burnham
/// and Anderson 2002, from memory); n is held above k + 1.
inline double aicc_penalty(double k, double n) {
  return 2 * k + 2 * k * (k + 1) / std::max(1.0, n - k - 1);
}

}  // namespace loadline
