// A fitted curve inside one drive calculation: its parameters know their derivatives by the inputs.
//
// The same class serves the curve as fitted, the curve moved to another supply, and the curve with
// a pedal in its circuit: each only changes parameters, and their uncertainty follows along. Built
// without a place among the sources it is exact, which is what a Monte Carlo draw needs.
// SI throughout. Immutable after it is built; may be read by many threads.
#pragma once

#include <Eigen/Core>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "fit/curves/curve.h"
#include "fit/drive/propagation.h"

namespace loadline {

// Names of the models' parameters that a change of supply or a pedal touches.
inline constexpr const char* kSeriesA = "A";
inline constexpr const char* kSeriesOmega0 = "omega_0";
inline constexpr const char* kSeriesOmegaX = "omega_x";
inline constexpr const char* kMagnetStall = "stall";
inline constexpr const char* kMagnetNoLoad = "omega_n";
inline constexpr const char* kInductionBreakdown = "breakdown";
inline constexpr const char* kInductionSlip = "slip_b";
inline constexpr const char* kInductionSynchronous = "omega_s";

class DriveCurve {
 public:
  /// The curve with exact parameters. Shares the curve's equation, which must be there.
  explicit DriveCurve(const Curve& curve);
  /// The curve with parameters that are inputs first, first + 1, … of `inputs` altogether.
  DriveCurve(const Curve& curve, int first, int inputs);

  const std::string& model() const { return model_name_; }
  double torque(double speed) const { return equation_->torque(parameters_, speed); }
  double slope(double speed) const { return equation_->slope(parameters_, speed); }
  /// Torque at an uncertain speed, and its derivative by speed there.
  Propagated torque(const Propagated& speed) const;
  Propagated slope(const Propagated& speed) const;

  bool has_parameter(const std::string& name) const { return place(name).has_value(); }
  /// std::logic_error for a parameter that the model does not have.
  Propagated parameter(const std::string& name) const;
  /// A copy with one parameter replaced.
  DriveCurve with_parameter(const std::string& name, const Propagated& value) const;
  /// A copy whose parameters are moved by `change` (a Monte Carlo draw).
  DriveCurve moved(const Eigen::VectorXd& change) const;

  /// Measured range, rad/s.
  double low() const { return low_; }
  double high() const { return high_; }
  /// False for a curve that stands for its measured range only (a smoothing spline).
  bool extrapolates() const { return extrapolates_; }
  std::optional<double> supply_v() const { return supply_v_; }
  void set_supply_v(double volts) { supply_v_ = volts; }
  /// The range moves with the supply: a lower frequency slows an induction motor.
  void scale_range(double factor);

 private:
  std::optional<Eigen::Index> place(const std::string& name) const;
  Derivatives by_inputs(const Eigen::VectorXd& by_parameters) const;

  std::shared_ptr<const CurveModel> equation_;
  std::string model_name_;
  std::vector<std::string> names_;
  Eigen::VectorXd parameters_;
  Eigen::MatrixXd by_;  // one column per parameter: its derivatives by all inputs; empty if exact
  double low_, high_;
  bool extrapolates_;
  std::optional<double> supply_v_;
};

}  // namespace loadline
