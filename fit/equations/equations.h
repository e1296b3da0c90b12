// The equations of motor and drag curves, written once for numbers and for Ceres' dual numbers.
//
// Sources: series motor on alternating current from its circuit, V² = ((R+Kω)I)² + (XI)², T = KI²
// (any machines text; e.g. Guru & Hiziroglu, Electric Machinery and Transformers); permanent magnet
// and Kloss as in any machines text; Stribeck rise in the Gaussian form of Armstrong-Hélouvry,
// Dupont and Canudas de Wit, Automatica 30 (1994) 1083 (from memory).
#pragma once

#include <cmath>

namespace loadline {

// The motor equations take two conditions besides the speed. `v` is the supply voltage over the one
// that the parameters stand for. `heat` is what warm-up has added: to the winding's resistance
// where the equation has one (series: ω₀ = R/K grows by 1 + heat; induction: the slip of the
// breakdown torque, which goes with the rotor's resistance), else taken off the torque.

/// p = A, ω₀, ωₓ, d₀, d₁, d₂: A/((ω+ω₀)²+ωₓ²) less the motor's own drag d₀+d₁ω+d₂ω².
struct SeriesEquation {
  static constexpr int kParameters = 6;
  template <typename T>
  static T torque(const T* p, const T& w, double v, const T& heat) {
    const T shifted = w + p[1] * (1.0 + heat);
    return v * v * p[0] / (shifted * shifted + p[2] * p[2]) - (p[3] + w * (p[4] + w * p[5]));
  }
};

/// p = A, ω₀, ωₓ, d₀, d₁, d₂, σ: the series motor whose iron saturates. The flux constant falls
/// with the current as K(I) = k/√(1+(I/I_s)²); with σ = 1/(2 k I_s²) the circuit equations become
///   T = g·A/((ω₀+gω)²+ωₓ²),  g = √(1+(σT)²) − σT,
/// which is SeriesEquation for σ = 0. T stands on both sides: solved by Newton's method, its
/// derivatives by one step more in dual numbers (implicit functions).
struct SaturatedSeriesEquation {
  static constexpr int kParameters = 7;

  static double number(double x) { return x; }
  template <typename Dual>
  static double number(const Dual& x) {
    return x.a;
  }

  /// Electromagnetic torque for flux ratio g.
  template <typename T>
  static T torque_at(const T& g, const T& a, const T& w, const T& w0, const T& wx) {
    const T shifted = w0 + g * w;
    return g * a / (shifted * shifted + wx * wx);
  }

  /// d torque_at / d torque through g, in numbers.
  static double feedback(double torque, double a, double w, double w0, double wx, double sigma) {
    const double t = sigma * torque, root = std::sqrt(1 + t * t), g = root - t;
    const double shifted = w0 + g * w, d = shifted * shifted + wx * wx;
    return sigma * (t / root - 1) * a * (d - 2 * g * w * shifted) / (d * d);
  }

  static double solve(double a, double w, double w0, double wx, double sigma) {
    double torque = torque_at(1.0, a, w, w0, wx);
    for (int i = 0; i < 30; ++i) {
      const double t = sigma * torque, g = std::sqrt(1 + t * t) - t;
      const double step =
          (torque_at(g, a, w, w0, wx) - torque) / (1 - feedback(torque, a, w, w0, wx, sigma));
      torque += step;
      // What is left after a step of Newton's method is about its relative size squared.
      if (std::fabs(step) <= 1e-8 * std::fabs(torque)) break;
    }
    return torque;
  }

  template <typename T>
  static T torque(const T* p, const T& w, double v, const T& heat) {
    using std::sqrt;
    const T a = v * v * p[0], w0 = p[1] * (1.0 + heat);
    const double root = solve(number(a), number(w), number(w0), number(p[2]), number(p[6]));
    const T t = p[6] * root;
    const T g = sqrt(1.0 + t * t) - t;
    const double slope =
        feedback(root, number(a), number(w), number(w0), number(p[2]), number(p[6]));
    const T electromagnetic = root + (torque_at(g, a, w, w0, p[2]) - root) / (1 - slope);
    return electromagnetic - (p[3] + w * (p[4] + w * p[5]));
  }
};

/// p = Ts, ωₙ: Ts(1 − ω/ωₙ).
struct PermanentMagnetEquation {
  static constexpr int kParameters = 2;
  template <typename T>
  static T torque(const T* p, const T& w, double v, const T& heat) {
    return p[0] * (v - w / p[1]) * (1.0 - heat);
  }
};

/// p = Ts, ωₙ, α: the permanent-magnet motor whose armature's own field weakens its magnets'
/// (armature reaction): with the current I the flux is k − aI, so that V = RI + (k − aI)ω and
/// T = (k − aI)I. With x = ω/ωₙ, ωₙ = V/k, and α = aV/(Rk), the share of the flux that the current
/// at standstill takes,
///   T = Ts(1 − x)/(1 − αx)²,
/// which is PermanentMagnetEquation for α = 0. A warm winding has r = 1 + heat times R:
///   T = Ts(r − αv)(v − x)/((1 − α)(r − αx)²).
struct ArmatureReactionEquation {
  static constexpr int kParameters = 3;
  template <typename T>
  static T torque(const T* p, const T& w, double v, const T& heat) {
    const T x = w / p[1], r = 1.0 + heat, weakened = r - p[2] * x;
    return p[0] * (r - p[2] * v) * (v - x) / ((1.0 - p[2]) * weakened * weakened);
  }
};

/// p = Tb, s_b, ω_s: Kloss 2Tb/(s/s_b + s_b/s), s = 1 − ω/ω_s, written without the pole at s = 0.
struct InductionEquation {
  static constexpr int kParameters = 3;
  template <typename T>
  static T torque(const T* p, const T& w, double v, const T& heat) {
    return v * v * field(p[0], p[1] * (1.0 + heat), T(1.0 - w / p[2]));
  }
  /// Torque of a turning field at slip s.
  template <typename T>
  static T field(const T& breakdown, const T& slip, const T& s) {
    return 2.0 * breakdown * s * slip / (s * s + slip * slip);
  }
};

/// p = Tb, s_b, ω_s, β: two fields against each other, T(s) − β·T(2 − s) (single_phase_motor.cc).
struct SinglePhaseEquation {
  static constexpr int kParameters = 4;
  template <typename T>
  static T torque(const T* p, const T& w, double v, const T& heat) {
    const T s = 1.0 - w / p[2], slip = p[1] * (1.0 + heat);
    return v * v *
           (InductionEquation::field(p[0], slip, s) -
            p[3] * InductionEquation::field(p[0], slip, T(2.0 - s)));
  }
};

/// p = Tb, s_b, ω_s, a, β: Kloss' equation with what it leaves out, for a = β = 0 the same. a is
/// the stator's resistance over the rotor's, both seen from one side, by which
///   T(s) = 2Tb(1 + a·s_b)/(s/s_b + s_b/s + 2a·s_b)
/// (Kloss' own form, any machines text); β the field that turns backwards, as above.
struct OpenInductionEquation {
  static constexpr int kParameters = 5;
  template <typename T>
  static T torque(const T* p, const T& w, double v, const T& heat) {
    const T s = 1.0 - w / p[2], slip = p[1] * (1.0 + heat);
    return v * v * (field(p, slip, s) - p[4] * field(p, slip, T(2.0 - s)));
  }
  template <typename T>
  static T field(const T* p, const T& slip, const T& s) {
    const T stator = p[3] * slip;
    return 2.0 * p[0] * (1.0 + stator) * s * slip / (s * s + slip * slip + 2.0 * stator * slip * s);
  }
};

/// p = c₀, c₁, c₂.
struct DragEquation {
  static constexpr int kParameters = 3;
  template <typename T>
  static T torque(const T* p, const T& w) {
    return p[0] + w * (p[1] + w * p[2]);
  }
};

/// p = c₀, c₁, c₂, rise, ω_s: drag with a Stribeck rise near standstill.
struct StribeckEquation {
  static constexpr int kParameters = 5;
  template <typename T>
  static T torque(const T* p, const T& w) {
    using std::exp;
    const T u = w / p[4];
    return p[0] + w * (p[1] + w * p[2]) + p[3] * exp(-u * u);
  }
};

}  // namespace loadline
