// A motor equation as the fit sees it: in variables of about unit size, with starts and with what
// is known of them beforehand.
#pragma once

#include <Eigen/Core>
#include <memory>
#include <optional>
#include <string>
#include <utility>
#include <vector>

namespace loadline {

/// Size of the data: sets the units of the internal variables.
struct SweepScale {
  double torque = 1;  ///< greatest torque, N·m (robust)
  double speed = 1;   ///< highest speed, rad/s (robust)
  double lowest = 0;  ///< lowest speed, rad/s (robust)
};

/// Friction of the motor itself, measured by a coast-down of the motor alone, or known from the
/// curve of the same shaft at full supply: d₀, d₁, d₂ and their covariance.
struct OwnDrag {
  Eigen::Vector3d value;
  Eigen::Matrix3d covariance;
  bool all_there_is = false;  ///< what is usual at this run's torque is not counted beside it
};

class MotorShape {
 public:
  /// Torque and its derivatives; `by_p` has size() entries (natural parameters).
  struct Torque {
    double value = 0, by_speed = 0, by_heat = 0;
    Eigen::VectorXd by_p;
  };
  virtual ~MotorShape() = default;
  /// That of its row of the table (described.h sets it).
  const std::string& name() const { return name_; }
  void set_name(std::string name) { name_ = std::move(name); }
  virtual int size() const = 0;
  /// Natural parameters from internal ones, and the derivative.
  virtual Eigen::VectorXd natural(const Eigen::VectorXd& u) const = 0;
  virtual Eigen::MatrixXd natural_by_internal(const Eigen::VectorXd& u) const = 0;
  virtual void torque(const Eigen::VectorXd& p, double speed, double volts, double heat,
                      Torque& out) const = 0;
  /// The torque alone, several times as quick.
  virtual double torque(const Eigen::VectorXd& p, double speed, double volts,
                        double heat) const = 0;
  virtual std::vector<Eigen::VectorXd> starts() const = 0;
  /// Rows of the prior: residual = L(u − mean). Zero rows when nothing is known.
  virtual Eigen::MatrixXd prior_root() const = 0;
  virtual Eigen::VectorXd prior_mean() const = 0;

 private:
  std::string name_;
};

}  // namespace loadline
