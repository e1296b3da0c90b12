// When a value that stands in the rows of a tachometer is a steady speed and not an old value.
#pragma once

#include <limits>
#include <span>

namespace loadline {

/// What a tachometer reports next was measured since its last report: within its usual pace, or
/// within about the one turn that a single pulse takes. A value that stands longer was true.
struct Standing {
  double usual_s = 0;  ///< between new values; 0: not known, all that stands is old
  /// By the rows of a tachometer; `rpm` may hold NaN.
  static Standing in(std::span<const double> time_s, std::span<const double> rpm);
  bool is_steady(double stood_s, double next_rpm) const {
    if (!(usual_s > 0)) return false;
    const double turn_s = next_rpm > 0 ? 60 / next_rpm : std::numeric_limits<double>::infinity();
    return stood_s > 2 * usual_s + 1.25 * turn_s;
  }
};

}  // namespace loadline
