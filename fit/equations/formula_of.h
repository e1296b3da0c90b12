// From an equation of fit/equations/equations.h to the formula of a curve, with derivatives by
// Ceres' dual numbers. Include where a formula is made, not in headers.
#pragma once

#include <ceres/jet.h>

#include <array>
#include <memory>
#include <utility>

#include "fit/equations/curve_model.h"

namespace loadline {

template <typename Equation>
class FormulaOf final : public CurveModel {
 public:
  FormulaOf(std::string name, std::vector<std::string> parameters)
      : name_(std::move(name)), parameters_(std::move(parameters)) {}

  std::string name() const override { return name_; }
  std::vector<std::string> parameter_names() const override { return parameters_; }
  double torque(const Eigen::VectorXd& p, double speed) const override {
    return at(p.data(), speed);
  }
  double slope(const Eigen::VectorXd& p, double speed) const override {
    return jet(p, speed).v[Equation::kParameters];
  }
  Eigen::VectorXd gradient(const Eigen::VectorXd& p, double speed) const override {
    return jet(p, speed).v.template head<Equation::kParameters>();
  }

 private:
  // A motor's equation stands for the supply that its parameters do, and no warmer winding.
  template <typename T>
  static T at(const T* p, const T& speed) {
    if constexpr (requires { Equation::torque(p, speed, 1.0, T(0.0)); })
      return Equation::torque(p, speed, 1.0, T(0.0));
    else
      return Equation::torque(p, speed);
  }
  using Jet = ceres::Jet<double, Equation::kParameters + 1>;
  static Jet jet(const Eigen::VectorXd& p, double speed) {
    std::array<Jet, Equation::kParameters> parameters;
    for (int i = 0; i < Equation::kParameters; ++i)
      parameters[static_cast<std::size_t>(i)] = Jet(p[i], i);
    return at(parameters.data(), Jet(speed, Equation::kParameters));
  }
  std::string name_;
  std::vector<std::string> parameters_;
};

template <typename Equation>
std::shared_ptr<const CurveModel> formula_of(std::string name,
                                             std::vector<std::string> parameters) {
  return std::make_shared<FormulaOf<Equation>>(std::move(name), std::move(parameters));
}

}  // namespace loadline
