// What a winding's warming does to a spin-up, which nothing on the bench measures.
#pragma once

#include <optional>
#include <utility>
#include <vector>

#include "fit/spin_ups/spin_up.h"

namespace loadline {

/// Mean torque from one window to a later one that is faster by a few per cent of the top speed.
struct Push {
  double torque;      ///< N·m
  std::size_t until;  ///< the later window
};
/// The push that begins with window i; none when no later window is so much faster.
std::optional<Push> next_push(const RunUp& run, std::size_t i);

/// How the winding's resistance grows on the way up, over the speed, if it warms as is usual: held
/// at standstill, a small motor's winding warms by some 2 K a second, hardly at all or three times
/// as fast (common practice), and its resistance grows as copper's does (copper.h). The heat goes
/// with the square of the current, which for the saturating series motor is I² = T·(√(1+(σT)²) +
/// σT)/k (fit/equations/equations.h), and ∫T dt is J·ω. The growth counts from where
/// the run's power was greatest: the curve stands for the winding's temperature then, so that its
/// power is what was measured and rests on no belief about heat. Immutable: may be read by many
/// threads.
class WindingWarmth {
 public:
  /// `torque_scale` is the greatest torque, N·m.
  WindingWarmth(const RunUp& run, double torque_scale);
  /// Relative growth at a speed (rad/s), and its slope over the speed.
  std::pair<double, double> at(double speed) const;

 private:
  std::vector<double> speed_, growth_;
};

}  // namespace loadline
