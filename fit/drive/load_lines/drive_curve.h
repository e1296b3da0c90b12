// A fitted curve inside one drive calculation: its parameters know their derivatives by the inputs.
//
// The same class serves the curve as fitted, the curve moved to another supply, and the curve with
// a pedal in its circuit: each only changes parameters, and their uncertainty follows along. Built
// without a place among the sources it is exact.
//
// A Monte Carlo draw moves the torque along its derivatives by the parameters, T + ∂T/∂p·δ, not the
// parameters: that is what a fit's covariance stands for. A single parameter of a net curve can be
// all but unknown (ω_x without points near standstill) while the torque is known well, and the bend
// of the equation along such a parameter is nothing that was measured.
// SI throughout. Immutable after it is built; may be read by many threads.
#pragma once

#include <Eigen/Core>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "fit/drive/load_lines/propagation.h"
#include "fit/equations/curve_model.h"

namespace loadline {

struct Curve;  // fit/curves/curve.h

class DriveCurve {
 public:
  /// The curve with exact parameters. Shares the curve's equation, which must be there.
  explicit DriveCurve(const Curve& curve);
  /// The curve with parameters that are inputs first, first + 1, … of `inputs` altogether.
  DriveCurve(const Curve& curve, int first, int inputs);

  const std::string& model() const { return model_name_; }
  double torque(double speed) const;
  double slope(double speed) const;
  /// Torque at an uncertain speed, and its derivative by speed there.
  Propagated torque(const Propagated& speed) const;
  Propagated slope(const Propagated& speed) const;

  bool has_parameter(const std::string& name) const { return place(name).has_value(); }
  /// std::logic_error for a parameter that the model does not have.
  Propagated parameter(const std::string& name) const;
  /// A copy with one parameter replaced.
  DriveCurve with_parameter(const std::string& name, const Propagated& value) const;
  /// A copy with one parameter multiplied; what a draw has moved is multiplied with it.
  DriveCurve with_scaled(const std::string& name, const Propagated& factor) const;
  /// Exact copies whose torque is moved (a Monte Carlo draw): by a change of this curve's
  /// parameters, or by a change of all inputs that they have derivatives by.
  DriveCurve moved(const Eigen::VectorXd& change) const;
  DriveCurve moved_by_inputs(const Eigen::VectorXd& change) const;

  /// Measured range, rad/s.
  double low() const { return low_; }
  double high() const { return high_; }
  /// False for a curve that stands for its measured range only (a smoothing spline).
  bool extrapolates() const { return extrapolates_; }
  std::optional<double> supply_v() const { return supply_v_; }
  void set_supply_v(double volts) { supply_v_ = volts; }
  /// Share of the supply that makes no torque: b of with_voltage() (supply.h); 0 until it is set.
  const Propagated& lost() const { return lost_; }
  void set_lost(Propagated lost) { lost_ = std::move(lost); }
  /// The range moves with the supply: a lower frequency slows an induction motor.
  void scale_range(double factor);

 private:
  std::optional<Eigen::Index> place(const std::string& name) const;
  Derivatives by_inputs(const Eigen::VectorXd& by_parameters) const;
  Eigen::VectorXd gradient_of_slope(double speed) const;
  double off(Eigen::Index k) const { return moved_.size() == 0 ? 0 : moved_[k]; }

  std::shared_ptr<const CurveModel> equation_;
  std::string model_name_;
  std::vector<std::string> names_;
  Eigen::VectorXd parameters_;
  Eigen::MatrixXd by_;  // one column per parameter: its derivatives by all inputs; empty if exact
  Eigen::VectorXd moved_;  // along which parameters the torque is moved; empty for none
  double low_, high_;
  bool extrapolates_;
  std::optional<double> supply_v_;
  Propagated lost_ = 0;
};

}  // namespace loadline
