// A hold: rows in which a tachometer repeats its last value. Either the value is stale, because the
// next one is not measured yet, or the speed really was steady.
#pragma once

#include <limits>
#include <span>

namespace loadline {

/// What a tachometer reports next was measured since its last report: within its usual pace, or
/// within about the one turn that a single pulse takes. A longer hold was a steady speed.
struct Holds {
  double usual_s = 0;  ///< between new values; 0: not known, every hold is stale
  /// By the rows of a tachometer; `rpm` may hold NaN.
  static Holds in(std::span<const double> time_s, std::span<const double> rpm);
  bool is_steady(double held_s, double next_rpm) const {
    if (!(usual_s > 0)) return false;
    const double turn_s = next_rpm > 0 ? 60 / next_rpm : std::numeric_limits<double>::infinity();
    return held_s > 2 * usual_s + 1.25 * turn_s;
  }
};

}  // namespace loadline
