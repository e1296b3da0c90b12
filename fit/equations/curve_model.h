// The formula behind a curve: torque as a function of speed and parameters.
#pragma once

#include <Eigen/Core>
#include <string>
#include <vector>

namespace loadline {

/// Immutable; may be read by many threads.
class CurveModel {
 public:
  virtual ~CurveModel() = default;
  virtual std::string name() const = 0;
  virtual std::vector<std::string> parameter_names() const = 0;
  virtual double torque(const Eigen::VectorXd& p, double speed) const = 0;
  /// d torque / d speed.
  virtual double slope(const Eigen::VectorXd& p, double speed) const = 0;
  /// d torque / d parameters.
  virtual Eigen::VectorXd gradient(const Eigen::VectorXd& p, double speed) const = 0;
};

}  // namespace loadline
