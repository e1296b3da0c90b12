// What belts will do on another evening: their comparison evening by evening
// (fit/belts/comparison/comparison.h) and the scatter between the evenings (random_effects.h).
//
// Belts are compared where they ran on the same pulleys on the same evening, so that what the
// machine and the motor did differently that evening falls out of the differences; it is in the top
// speeds. Limits hold for one difference, not for all pairs at once: whoever puts a belt on asks
// about that one.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "fit/belts/comparison/comparison.h"

namespace loadline {

struct BeltEvenings {
  struct Belt {
    std::string name;
    Estimate top_speed;         ///< rpm, as the comparison's; on the pulleys of most evenings
    Estimate relative_percent;  ///< against the comparison's best
  };
  struct Pair {
    std::string a, b;
    Estimate difference_percent;
    Estimate between_evenings_percent;  ///< standard deviation of the difference
  };
  std::size_t evenings = 0;
  std::vector<Belt> belts;        ///< as the comparison's
  std::vector<Pair> comparisons;  ///< those that ran together on two evenings or more
};

/// Empty while no two belts were compared on two evenings.
std::optional<BeltEvenings> another_evening(const BeltComparison& comparison);

/// `belts` and `comparisons` under the keys of the comparison itself.
Json to_json(const BeltEvenings& another);
/// Some lines for a person, or that one evening does not tell.
std::string to_text(const std::optional<BeltEvenings>& another);

}  // namespace loadline
