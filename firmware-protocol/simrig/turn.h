// Angles of shafts and of the mains.
#pragma once

#include <numbers>

namespace loadline::simrig {

inline constexpr double kTwoPi = 2 * std::numbers::pi;  ///< rad in a whole turn

}  // namespace loadline::simrig
