// From a motor equation to the shape that the fit works with. Include where a shape is made, not in
// headers: it brings Ceres' dual numbers along.
#pragma once

#include <ceres/jet.h>

#include <array>

#include "fit/equations/motor_shape.h"

namespace loadline {

/// A shape from an equation of fit/equations/equations.h: its derivatives by Ceres' dual numbers,
/// and no prior unless the shape says so. `Equation::torque(p, speed, volts, heat)` is a template
/// over the number.
template <typename Equation>
class ShapeOf : public MotorShape {
 public:
  using Formula = Equation;
  static constexpr int kSize = Equation::kParameters;
  explicit ShapeOf(const SweepScale& scale) : scale_(scale) {}
  int size() const override { return kSize; }
  void torque(const Eigen::VectorXd& p, double speed, double volts, double heat,
              Torque& out) const override {
    using Jet = ceres::Jet<double, kSize + 2>;
    std::array<Jet, kSize> parameters;
    for (int i = 0; i < kSize; ++i) parameters[static_cast<std::size_t>(i)] = Jet(p[i], i);
    const Jet t =
        Equation::torque(parameters.data(), Jet(speed, kSize), volts, Jet(heat, kSize + 1));
    out.value = t.a;
    out.by_p = t.v.template head<kSize>();
    out.by_speed = t.v[kSize];
    out.by_heat = t.v[kSize + 1];
  }
  double torque(const Eigen::VectorXd& p, double speed, double volts, double heat) const override {
    return Equation::torque(p.data(), speed, volts, heat);
  }
  Eigen::MatrixXd prior_root() const override { return Eigen::MatrixXd::Zero(0, kSize); }
  Eigen::VectorXd prior_mean() const override { return Eigen::VectorXd::Zero(kSize); }

 protected:
  SweepScale scale_;
};

/// All parameters positive: their logarithms are fitted.
template <typename Equation>
class LogShape : public ShapeOf<Equation> {
 public:
  using ShapeOf<Equation>::ShapeOf;
  Eigen::VectorXd natural(const Eigen::VectorXd& u) const override { return u.array().exp(); }
  Eigen::MatrixXd natural_by_internal(const Eigen::VectorXd& u) const override {
    return u.array().exp().matrix().asDiagonal();
  }
};

}  // namespace loadline
