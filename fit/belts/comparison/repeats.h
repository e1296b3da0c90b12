// How many runs a planned comparison of belts takes: the power of the test that compare_belts
// makes.
//
// In the library of the statistics alone, so that a plan at the bench and the answer afterwards
// count alike. Pure function; any thread.
#pragma once

#include <optional>

namespace loadline {

/// Runs per belt so that two of `belts` belts that truly differ by `percent` are told apart in
/// `power` of sessions (the default leaves some for refused runs), with `repeatability_percent`
/// from run to run (standard deviation), over `blocks` blocks. Up to 1000; empty beyond that.
std::optional<int> repeats_to_tell_apart(double percent, double repeatability_percent, int belts,
                                         int blocks = 1, double power = 0.95);

}  // namespace loadline
