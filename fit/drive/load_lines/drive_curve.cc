#include "fit/drive/load_lines/drive_curve.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "fit/curves/curve.h"

namespace loadline {

DriveCurve::DriveCurve(const Curve& curve)
    : equation_(curve.equation),
      model_name_(curve.model),
      names_(curve.parameter_names),
      parameters_(curve.parameters),
      low_(curve.speed_low),
      high_(curve.speed_high),
      extrapolates_(curve.model != "smooth"),
      supply_v_(curve.supply_v) {}

DriveCurve::DriveCurve(const Curve& curve, int first, int inputs) : DriveCurve(curve) {
  by_ = Eigen::MatrixXd::Zero(inputs, parameters_.size());
  for (Eigen::Index k = 0; k < parameters_.size(); ++k) by_(first + k, k) = 1;
}

Derivatives DriveCurve::by_inputs(const Eigen::VectorXd& by_parameters) const {
  return by_.size() == 0 ? Derivatives() : Derivatives(by_ * by_parameters);
}

double DriveCurve::torque(double speed) const {
  const double torque = equation_->torque(parameters_, speed);
  return moved_.size() == 0 ? torque : torque + equation_->gradient(parameters_, speed).dot(moved_);
}

double DriveCurve::slope(double speed) const {
  const double slope = equation_->slope(parameters_, speed);
  return moved_.size() == 0 ? slope : slope + gradient_of_slope(speed).dot(moved_);
}

// Central differences of what the model gives in closed form; the step balances truncation (h²)
// against rounding (1e-16/h) for curves that change over their measured range.
Eigen::VectorXd DriveCurve::gradient_of_slope(double speed) const {
  const double h = 1e-5 * std::max(high_, 1.0);
  return (equation_->gradient(parameters_, speed + h) -
          equation_->gradient(parameters_, speed - h)) /
         (2 * h);
}

Propagated DriveCurve::torque(const Propagated& speed) const {
  const Propagated curve_moves(0, by_.size() == 0
                                      ? Derivatives()
                                      : by_inputs(equation_->gradient(parameters_, speed.value)));
  return chain(torque(speed.value), 1, curve_moves, slope(speed.value), speed);
}

Propagated DriveCurve::slope(const Propagated& speed) const {
  if (by_.size() == 0) return slope(speed.value);
  const double h = 1e-5 * std::max(high_, 1.0);
  const double bend = (slope(speed.value + h) - slope(speed.value - h)) / (2 * h);
  return chain(slope(speed.value), 1, {0, by_inputs(gradient_of_slope(speed.value))}, bend, speed);
}

std::optional<Eigen::Index> DriveCurve::place(const std::string& name) const {
  const auto found = std::find(names_.begin(), names_.end(), name);
  if (found == names_.end()) return std::nullopt;
  return found - names_.begin();
}

Propagated DriveCurve::parameter(const std::string& name) const {
  const auto k = place(name);
  if (!k)
    throw std::logic_error(fmt::format("the {} curve has no parameter {}", model_name_, name));
  return {parameters_[*k] + off(*k), by_.size() == 0 ? Derivatives() : Derivatives(by_.col(*k))};
}

DriveCurve DriveCurve::with_parameter(const std::string& name, const Propagated& value) const {
  const auto k = place(name);
  if (!k)
    throw std::logic_error(fmt::format("the {} curve has no parameter {}", model_name_, name));
  DriveCurve result = *this;
  result.parameters_[*k] = value.value - off(*k);
  if (by_.size() == 0) return result;
  if (value.by.size() == 0)
    result.by_.col(*k).setZero();
  else
    result.by_.col(*k) = value.by;
  return result;
}

DriveCurve DriveCurve::with_scaled(const std::string& name, const Propagated& factor) const {
  DriveCurve result = with_parameter(name, parameter(name) * factor);
  if (moved_.size() == 0) return result;
  const auto k = place(name);
  result.parameters_[*k] = parameters_[*k] * factor.value;
  result.moved_[*k] = moved_[*k] * factor.value;
  return result;
}

DriveCurve DriveCurve::moved(const Eigen::VectorXd& change) const {
  DriveCurve result = *this;
  result.by_.resize(0, 0);
  result.moved_ = change;
  result.lost_ = lost_.value;
  return result;
}

DriveCurve DriveCurve::moved_by_inputs(const Eigen::VectorXd& change) const {
  DriveCurve result = moved(by_.transpose() * change);
  if (lost_.by.size() != 0) result.lost_ = lost_.value + lost_.by.dot(change);
  return result;
}

void DriveCurve::scale_range(double factor) {
  low_ *= factor;
  high_ *= factor;
}

}  // namespace loadline
