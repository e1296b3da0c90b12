// The solution of J dω/dt = −τ(ω) over a run, in plain numbers or in dual ones that carry its
// derivatives: angle and speed at any moment of it.
#pragma once

#include <ceres/jet.h>

#include <algorithm>
#include <cmath>
#include <vector>

namespace loadline {

/// The number itself, without the derivatives that a dual one carries.
inline double value_of(double x) { return x; }
template <int N>
double value_of(const ceres::Jet<double, N>& x) {
  return x.a;
}

/// J dω/dt = −(c₀ + c₁ω + c₂ω² + rise·exp(−(ω/knee)²)), divided by J once for all steps. All over
/// the same unit of inertia, in rad and s.
template <typename T>
class CoastEquation {
 public:
  CoastEquation(const T& c0, const T& c1, const T& c2, const T& inertia)
      : a0_(-c0 / inertia), a1_(-c1 / inertia), a2_(-c2 / inertia) {}
  CoastEquation(const T& c0, const T& c1, const T& c2, const T& inertia, const T& rise,
                const T& knee)
      : CoastEquation(c0, c1, c2, inertia) {
    stribeck_ = true;
    rise_ = -rise / inertia;
    inverse_knee_squared_ = -1.0 / (knee * knee);
  }

  T acceleration(const T& w) const {
    T a = a0_ + w * (a1_ + w * a2_);
    if (stribeck_) {
      using std::exp;
      a += rise_ * exp(w * w * inverse_knee_squared_);
    }
    return a;
  }

 private:
  T a0_, a1_, a2_;
  bool stribeck_ = false;
  T rise_ = T(0.0), inverse_knee_squared_ = T(0.0);
};

/// T is double or ceres::Jet<double, N>. Not thread-safe to build, free to read.
template <typename T>
class CoastSolution {
 public:
  struct Motion {
    T angle;              ///< rad, from the start
    T speed;              ///< rad/s
    double acceleration;  ///< rad/s²
  };

  /// Classical Runge–Kutta of fourth order in `steps` equal ones; the angle rides along.
  CoastSolution(const CoastEquation<T>& equation, const T& start_speed, double length_s, int steps)
      : step_s_(length_s / steps) {
    nodes_.reserve(static_cast<std::size_t>(steps) + 1);
    const double h = step_s_;
    nodes_.push_back({T(0.0), start_speed, equation.acceleration(start_speed)});
    for (int i = 0; i < steps; ++i) {
      const Node& from = nodes_.back();
      const T& k1 = from.acceleration;
      const T w2 = from.speed + k1 * (h / 2);
      const T k2 = equation.acceleration(w2);
      const T w3 = from.speed + k2 * (h / 2);
      const T k3 = equation.acceleration(w3);
      const T w4 = from.speed + k3 * h;
      const T k4 = equation.acceleration(w4);
      const T angle = from.angle + (from.speed + 2.0 * (w2 + w3) + w4) * (h / 6);
      const T speed = from.speed + (k1 + 2.0 * (k2 + k3) + k4) * (h / 6);
      nodes_.push_back({angle, speed, equation.acceleration(speed)});
    }
  }

  /// The same in plain numbers, for searches.
  struct Place {
    double angle, speed;
  };

  Place place(double time_s) const {
    const double h = step_s_;
    const std::size_t i = node_before(time_s);
    const Node &a = nodes_[i], &b = nodes_[i + 1];
    const double u = time_s / h - static_cast<double>(i);
    const double u2 = u * u, u3 = u2 * u, u4 = u3 * u, u5 = u4 * u;
    const double to_b = 10 * u3 - 15 * u4 + 6 * u5;
    return {value_of(a.angle) * (1 - to_b) + value_of(b.angle) * to_b +
                value_of(a.speed) * (h * (u - 6 * u3 + 8 * u4 - 3 * u5)) +
                value_of(b.speed) * (h * (-4 * u3 + 7 * u4 - 3 * u5)) +
                value_of(a.acceleration) * (h * h * (u2 - 3 * u3 + 3 * u4 - u5) / 2) +
                value_of(b.acceleration) * (h * h * (u3 - 2 * u4 + u5) / 2),
            value_of(a.speed) * (1 - 3 * u2 + 2 * u3) + value_of(b.speed) * (3 * u2 - 2 * u3) +
                value_of(a.acceleration) * (h * (u - 2 * u2 + u3)) +
                value_of(b.acceleration) * (h * (u3 - u2))};
  }

  /// Quintic Hermite interpolation of the angle, cubic of the speed; `time_s` from the start, also
  /// a little outside of the run.
  Motion at(double time_s) const {
    const double h = step_s_;
    const std::size_t i = node_before(time_s);
    const Node &a = nodes_[i], &b = nodes_[i + 1];
    const double u = time_s / h - static_cast<double>(i);
    const double u2 = u * u, u3 = u2 * u, u4 = u3 * u, u5 = u4 * u;
    const double to_b = 10 * u3 - 15 * u4 + 6 * u5;
    Motion m;
    m.angle = a.angle * (1 - to_b) + b.angle * to_b +
              a.speed * (h * (u - 6 * u3 + 8 * u4 - 3 * u5)) +
              b.speed * (h * (-4 * u3 + 7 * u4 - 3 * u5)) +
              a.acceleration * (h * h * (u2 - 3 * u3 + 3 * u4 - u5) / 2) +
              b.acceleration * (h * h * (u3 - 2 * u4 + u5) / 2);
    m.speed = a.speed * (1 - 3 * u2 + 2 * u3) + b.speed * (3 * u2 - 2 * u3) +
              a.acceleration * (h * (u - 2 * u2 + u3)) + b.acceleration * (h * (u3 - u2));
    m.acceleration = (value_of(b.speed) - value_of(a.speed)) * 6 * (u - u2) / h +
                     value_of(a.acceleration) * (1 - 4 * u + 3 * u2) +
                     value_of(b.acceleration) * (3 * u2 - 2 * u);
    return m;
  }

 private:
  struct Node {
    T angle, speed, acceleration;
  };
  std::size_t node_before(double time_s) const {
    const auto last = static_cast<int>(nodes_.size()) - 2;
    return static_cast<std::size_t>(std::clamp(static_cast<int>(time_s / step_s_), 0, last));
  }
  double step_s_;
  std::vector<Node> nodes_;
};

}  // namespace loadline
