// A fitted curve in use: net torque of a motor, or drag of a machine, over speed.
//
// SI throughout: speed in rad/s (at the motor shaft for motors, at the hand wheel for machines),
// torque in N·m. A Curve is an immutable value and may be read by many threads.
//
// In: a model's parameters with their covariance.
// Out: torque at a speed with its standard uncertainty; results.h works out what a person asks for.
#pragma once

#include <Eigen/Core>
#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "db/records.h"
#include "fit/curves/another_evening.h"
#include "fit/equations/curve_model.h"

namespace loadline {

class Book;
struct Part;

/// The formula of that name: a motor's (motor_equation.h), "drag", "drag-stribeck", or "smooth"
/// (whose knots lie evenly on [speed_low, speed_high], one parameter each). Null for a name that
/// this version does not know.
std::shared_ptr<const CurveModel> curve_equation(const std::string& name, double speed_low,
                                                 double speed_high, std::size_t parameters);

struct Curve {
  std::string model;
  std::shared_ptr<const CurveModel> equation;
  std::vector<std::string> parameter_names;
  Eigen::VectorXd parameters;
  Eigen::MatrixXd covariance;       ///< of the parameters; all sources of uncertainty included
  double degrees_of_freedom = 1e9;  ///< effective
  double speed_low = 0;             ///< measured range, rad/s
  double speed_high = 0;
  std::optional<double> supply_v;  ///< supply voltage that the curve stands for
  std::vector<std::int64_t> runs;
  /// How far another evening lies from this curve; empty where its runs are of one session.
  std::optional<EveningSpread> another_evening;

  double torque(double speed) const;
  double slope(double speed) const;
  Eigen::VectorXd gradient(double speed) const;
  /// Standard uncertainty of torque(speed), from the covariance.
  double torque_sd(double speed) const;
  /// Student's t factor for a 95 % interval with this curve's degrees of freedom.
  double coverage_factor() const;
  /// Each parameter times its factor, the covariance with them.
  void scale_parameters(const Eigen::VectorXd& factors);
  bool measured_at(double speed) const { return speed >= speed_low && speed <= speed_high; }

  /// One of the equations (not "smooth"), with its parameters and their covariance; speeds, runs
  /// and supply are still to be set.
  static Curve of_equation(const std::string& model, Eigen::VectorXd parameters,
                           Eigen::MatrixXd covariance);
  /// As the book keeps it; subject, residuals and details are still to be set.
  StoredCurve to_stored() const;
  /// From the book. Throws Error(kBook) for a model this version does not know, and for what no
  /// fit can have stored.
  static Curve from_stored(const StoredCurve& stored);
};

/// The covariance that the book keeps, to compute with.
Eigen::MatrixXd dense(const Covariance& covariance);

/// Error(kAnswerNo) when the fit found that this curve does not describe its runs: nothing may be
/// built on it. `of` names it: "machine 'Wren'".
void require_described(const StoredCurve& stored, const std::string& of);

/// The latest curve of a motor or machine, as the book keeps it. Error(kInput) when it has none,
/// with the command that fits one; errors as require_described().
StoredCurve described_curve(const Book& book, const Part& part);

}  // namespace loadline
