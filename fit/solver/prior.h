// What is known of a quantity before a run is looked at.
#pragma once

namespace loadline {

/// Of a quantity that a run cannot fix alone: Gaussian.
struct Prior {
  double mean = 0, sd = 0;
};

}  // namespace loadline
