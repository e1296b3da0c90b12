// What a winding is made of.
#pragma once

namespace loadline {

/// Growth of a copper winding's resistance for each kelvin, as a share of the resistance at 20 °C:
/// standard annealed copper (IEC 60028, from memory).
inline constexpr double kCopperPerK = 0.00393;

}  // namespace loadline
