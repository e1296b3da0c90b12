// The solution of J dω/dt = −τ(ω) over a run, in plain numbers or in dual ones that carry its
// derivatives: angle and speed at any moment of it.
#pragma once

#include <ceres/jet.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <vector>

#include "fit/solver/shaft_motion.h"

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

  /// In `steps` equal ones.
  CoastSolution(const CoastEquation<T>& equation, const T& start_speed, double length_s, int steps)
      : step_s_(length_s / steps), per_step_(steps / length_s) {
    nodes_.reserve(static_cast<std::size_t>(steps) + 1);
    const double h = step_s_;
    nodes_.push_back({T(0.0), start_speed, equation.acceleration(start_speed)});
    for (int i = 0; i < steps; ++i) {
      const Node& from = nodes_.back();
      const auto gained = shaft_step(from.speed, from.acceleration, h,
                                     [&](const T& w, double) { return equation.acceleration(w); });
      const T angle = from.angle + gained.angle, speed = from.speed + gained.speed;
      nodes_.push_back({angle, speed, equation.acceleration(speed)});
    }
  }

  /// Quintic Hermite interpolation of the angle, cubic of the speed; `time_s` from the start, also
  /// a little outside of the run.
  Motion at(double time_s) const {
    const Between w(time_s, step_s_, per_step_, nodes_.size());
    const Node &a = nodes_[w.node], &b = nodes_[w.node + 1];
    Motion m;
    m.angle =
        sum(w.angle, Six{&a.angle, &b.angle, &a.speed, &b.speed, &a.acceleration, &b.acceleration});
    m.speed = sum(w.speed, Four{&a.speed, &b.speed, &a.acceleration, &b.acceleration});
    m.acceleration = (value_of(b.speed) - value_of(a.speed)) * 6 * w.u * (1 - w.u) * per_step_ +
                     value_of(a.acceleration) * (1 - w.u) * (1 - 3 * w.u) +
                     value_of(b.acceleration) * w.u * (3 * w.u - 2);
    return m;
  }

  /// Angle and speed in plain numbers, for searches.
  struct Place {
    double angle, speed;
  };
  Place place(double time_s) const {
    const Between w(time_s, step_s_, per_step_, nodes_.size());
    const Node &a = nodes_[w.node], &b = nodes_[w.node + 1];
    return {w.angle[0] * value_of(a.angle) + w.angle[1] * value_of(b.angle) +
                w.angle[2] * value_of(a.speed) + w.angle[3] * value_of(b.speed) +
                w.angle[4] * value_of(a.acceleration) + w.angle[5] * value_of(b.acceleration),
            w.speed[0] * value_of(a.speed) + w.speed[1] * value_of(b.speed) +
                w.speed[2] * value_of(a.acceleration) + w.speed[3] * value_of(b.acceleration)};
  }

 private:
  struct Node {
    T angle, speed, acceleration;
  };
  using Four = std::array<const T*, 4>;
  using Six = std::array<const T*, 6>;
  // What the two nodes around a moment count for angle, speed and acceleration there: their
  // angles first, then what follows from these, node by node.
  struct Between {
    Between(double time_s, double h, double per_h, std::size_t nodes) {
      const double steps = time_s * per_h;
      node = static_cast<std::size_t>(
          std::clamp(static_cast<int>(steps), 0, static_cast<int>(nodes) - 2));
      u = steps - static_cast<double>(node);
      angle = quintic_hermite(u, h);
      speed = cubic_hermite(u, h);
    }
    std::size_t node;
    double u;  // share of the way from the first node to the second
    std::array<double, 6> angle;
    std::array<double, 4> speed;
  };

  // Σ factor · number, written out for dual ones: this is most of a fit's time.
  template <std::size_t N>
  static double sum(const std::array<double, N>& factor, const std::array<const double*, N>& of) {
    double result = 0;
    for (std::size_t i = 0; i < N; ++i) result += factor[i] * *of[i];
    return result;
  }
  template <std::size_t N, int D>
  static ceres::Jet<double, D> sum(const std::array<double, N>& factor,
                                   const std::array<const ceres::Jet<double, D>*, N>& of) {
    ceres::Jet<double, D> result(0.0);
    for (std::size_t i = 0; i < N; ++i) {
      result.a += factor[i] * of[i]->a;
      for (int d = 0; d < D; ++d) result.v[d] += factor[i] * of[i]->v[d];
    }
    return result;
  }

  double step_s_, per_step_;
  std::vector<Node> nodes_;
};

}  // namespace loadline
