// Hermite interpolation between two nodes of a solution: what value and derivatives at either node
// count for the value at a share u of the way from the first to the second, h apart.
#pragma once

#include <array>

namespace loadline {

/// Of degree five: for value, slope and curvature, each at the first node and at the second.
inline std::array<double, 6> quintic_hermite(double u, double h) {
  const double u2 = u * u, u3 = u2 * u, rest = 1 - u, bend = rest * rest * rest;
  const double to_second = u3 * (10 - 15 * u + 6 * u2);
  return {1 - to_second,
          to_second,
          h * u * bend * (1 + 3 * u),
          -h * u3 * rest * (4 - 3 * u),
          h * h * u2 * bend / 2,
          h * h * u3 * rest * rest / 2};
}

/// Of degree three: for value and slope, each at the first node and at the second.
inline std::array<double, 4> cubic_hermite(double u, double h) {
  const double u2 = u * u, rest = 1 - u;
  const double to_second = u2 * (3 - 2 * u);
  return {1 - to_second, to_second, h * u * rest * rest, -h * u2 * rest};
}

}  // namespace loadline
