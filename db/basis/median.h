// The value in the middle.
#pragma once

#include <algorithm>
#include <vector>

namespace loadline {

/// What turns the median of distances from the middle into a standard deviation: 1 over the upper
/// quartile of the Gaussian distribution.
inline constexpr double kSdOfMedian = 1.4826;

/// The mean of the two in the middle where their number is even; 0 of none.
inline double median(std::vector<double> values) {
  if (values.empty()) return 0;
  const auto middle = values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2);
  std::nth_element(values.begin(), middle, values.end());
  if (values.size() % 2 == 1) return *middle;
  const double upper = *middle;
  return (upper + *std::max_element(values.begin(), middle)) / 2;
}

}  // namespace loadline
