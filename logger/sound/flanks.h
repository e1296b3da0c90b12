// Where a signal steps up or down: the flanks of pulses, of whatever length and height.
//
// At each place the mean before is compared with the mean after, over stretches from some
// microseconds to a tenth of a second. A flank stands out most from the noise where the stretch is
// as long as its pulse, so pulses of all speeds are found alike. Means over neighbouring stretches
// hold neither a level nor its slow drift.
#pragma once

#include <span>
#include <vector>

namespace loadline {

struct Flank {
  double at = 0;        ///< samples from the first one
  double step = 0;      ///< what the level changes by, with its sign
  double sureness = 0;  ///< |step| over what noise alone would give, standard deviations
};

/// Flanks of `x` in order of time. `rate`: samples a second. Both signs; the stronger one of any
/// that lie within each other's stretch.
std::vector<Flank> find_flanks(std::span<const float> x, double rate);

/// Sums of the first n samples, so that the mean over any stretch takes one subtraction; between
/// samples a sample stands for the stretch from half before to half after it.
class RunningSums {
 public:
  explicit RunningSums(std::span<const float> x);
  /// Of the signal from `from` to `to` (samples; both inside it).
  double mean(double from, double to) const { return (up_to(to) - up_to(from)) / (to - from); }
  double whole(std::size_t n) const { return sums_[n]; }
  /// Of the signal from the beginning to `at` (samples).
  double up_to(double at) const;
  std::size_t size() const { return sums_.size() - 1; }

 private:
  std::vector<double> sums_;
};

}  // namespace loadline
