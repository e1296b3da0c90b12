// How a shaft turns: its angle and speed as functions of time.
#pragma once

#include <cstddef>
#include <functional>
#include <numbers>
#include <vector>

namespace benches {

inline constexpr double kRpm = 30.0 / std::numbers::pi;  // rpm in a rad/s

// Angle in rad, speed in rad/s, acceleration in rad/s² at time t in s.
struct Instant {
  double t = 0.0, angle = 0.0, speed = 0.0, acceleration = 0.0;
};

// Instants joined by polynomials of fifth degree that share angle, speed and acceleration with
// them. Two instants at one time mark a jump of the acceleration.
class Motion {
 public:
  Motion() = default;
  void add(const Instant& instant) { instants_.push_back(instant); }

  double begin() const { return instants_.front().t; }
  double end() const { return instants_.back().t; }
  const Instant& last() const { return instants_.back(); }
  Instant at(double t) const;  // clamped to begin and end
  // First time at or after which speed is below `speed` for good; end() when it never is.
  double below(double speed) const;
  // The times at which the rising angle passes each of the given rising angles. Angles that are
  // never reached are left out.
  std::vector<double> times_of(const std::vector<double>& angles) const;

 private:
  Instant between(std::size_t i, double t) const;
  std::vector<Instant> instants_;
};

// Moving parts to and fro makes the inertia swing with the angle: amount·cos(times·angle + phase).
struct Swing {
  int times = 1;
  double amount = 0.0, phase = 0.0;
  double at(double angle) const;     // amount·cos(…)
  double slope(double angle) const;  // its derivative
};

struct Shaft {
  double inertia = 0.0;      // kg·m², mean over a turn
  std::vector<Swing> crank;  // kg·m²
  // Sum of all torques on the shaft, N·m, at time, angle, speed. May jump in time at `jumps` only.
  std::function<double(double, double, double)> torque;
  std::vector<double> jumps;  // s, rising
  double most_angle = 0.5;    // rad, longest step in angle (ripple must not be stepped over)
  double most_time = 0.02;    // s, longest step in time
};

// Integrates from `start` to `end` s. Uses the generalised momentum p = J(θ)·ω, for which
// dp/dt = torque + J'(θ)·ω²/2 (Lagrange), with the embedded pair of Dormand and Prince of order
// 5(4) (J. Comput. Appl. Math. 6, 1980; coefficients from memory, checked by self_check). A shaft
// that comes to rest stays there until a jump after which the torque drives it.
Motion turn(const Shaft& shaft, Instant start, double end);

}  // namespace benches
