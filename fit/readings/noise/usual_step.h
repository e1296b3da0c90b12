// The usual time between values of a long series, and how to thin it.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

namespace loadline {

/// Of a series of `size`, every so many values are enough to know its median well.
std::size_t telling_stride(std::size_t size);

/// Median of the steps between neighbours, of a long series by some thousands of them.
double usual_step(std::span<const double> time_s);

/// The same of `count` moments that are handed on one after the other.
class UsualStep {
 public:
  explicit UsualStep(std::size_t count);
  void add(double time_s);
  double median() const;  ///< 0 before the second moment

 private:
  std::size_t stride_, seen_ = 0;
  double last_ = 0;
  std::vector<double> steps_;
};

/// How many neighbours to join into one so that no more than `most` of `rows` are left; 0: all
/// stay.
std::size_t block_for(std::size_t rows, std::size_t most);

}  // namespace loadline
