// The motion of a shaft from its acceleration: one step of it, and what lies between two nodes. In
// plain numbers, dual ones, or vectors of a value with its derivatives.
#pragma once

#include <array>

namespace loadline {

/// What angle and speed gain.
template <typename Value>
struct Gained {
  Value angle, speed;
};

/// Over `h` by the classical Runge–Kutta of fourth order, from a speed and the acceleration there.
/// `acceleration(speed, part)` is asked half way (part 0.5) and at the end (1). The angle rides
/// along.
template <typename Value, typename Acceleration>
Gained<Value> shaft_step(const Value& w, const Value& k1, double h,
                         const Acceleration& acceleration) {
  const Value w2 = w + k1 * (h / 2);
  const Value k2 = acceleration(w2, 0.5);
  const Value w3 = w + k2 * (h / 2);
  const Value k3 = acceleration(w3, 0.5);
  const Value w4 = w + k3 * h;
  const Value k4 = acceleration(w4, 1.0);
  return {(w + 2.0 * (w2 + w3) + w4) * (h / 6), (k1 + 2.0 * (k2 + k3) + k4) * (h / 6)};
}

// Hermite interpolation: what value and derivatives at either node count for the value at a share u
// of the way from the first to the second, h apart.

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
