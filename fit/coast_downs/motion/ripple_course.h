// How a torque that ripples h times a turn moves the angle of a shaft that slows down.
//
// To first order in the ripple, δ'' = (da/dω)·δ' + R(ω)·cos hθ/J along the course θ(t), ω(t) that
// the shaft takes without it; solved as it stands. The quasi-steady answer −R/(J h²ω²)·cos hθ is
// the first term of a series in a/ω², which near standstill, where a shaft loses half its speed
// within a radian, does not converge.
//
// What it does beyond the first order (a shaft that ripples loses time on each turn) is the course
// of the shaft followed with the ripple, less the course without and less the first order.
//
// In: the equation of the shaft, its speed at time zero, the moments that are asked for, the
// ripple. Out: for each moment what cos θ, sin θ, cos 2θ, sin 2θ have become, and what is beyond
// that.
#pragma once

#include <array>
#include <functional>
#include <vector>

namespace loadline {

template <typename T>
class CoastEquation;  // coast_solution.h

using RippleShapes = std::array<double, 4>;

struct RippleMoved {
  RippleShapes shapes{};
  double beyond = 0;  ///< rad
};

/// A torque that ripples.
struct TorqueRipple {
  double reference = 0;  ///< rad/s, where each shape is 1 times its cosine or sine while the shaft
                         ///< hardly slows down
  RippleShapes amplitudes{};            ///< rad, there
  std::function<double(double)> share;  ///< of the torque at a speed over that at the reference
};

/// At `time_s` (rising, s). `beyond` stays where it is from the moment that the ripple nearly stops
/// the shaft. Thread-safe.
std::vector<RippleMoved> ripple_course(const CoastEquation<double>& equation, double start_speed,
                                       const std::vector<double>& time_s,
                                       const TorqueRipple& ripple);

}  // namespace loadline
