// The equation of motion of spin-ups and what it leaves over of their mean speeds: what
// fit/spin_ups/run_up.h minimises.
#pragma once

#include <Eigen/Core>
#include <vector>

#include "fit/equations/motor_shape.h"
#include "fit/solver/nonlinear.h"
#include "fit/spin_ups/spin_up.h"
#include "fit/spin_ups/torque_bend.h"
#include "fit/spin_ups/winding_warmth.h"

namespace loadline {

// At a moment since the shaft began to turn: value first, then derivatives by curve parameters
// (internal), inertia, warmth, bends.
struct RunUpNode {
  double time_s;
  Eigen::VectorXd angle, speed, acceleration;
};

/// Standard deviation (rad/s) of a window's mean speed.
double sd_of(const RunUp& run, std::size_t i);

/// Parameters: those of the curve (internal), inertia, warmth, age of the edges, span of the
/// windows, the moment (s) at which each run's shaft began to turn, and the bends of the torque, in
/// units of their standard deviation. `runs` must outlive it; their noise and weights may change.
class RunUpProblem final : public Residuals {
 public:
  RunUpProblem(const MotorShape& shape, const std::vector<RunUp>& runs, const SweepScale& scale,
               const TorqueBend& bend = {});
  int parameters() const override { return first_bend() + bend_.terms(); }
  int count() const override {
    return data_rows_ + static_cast<int>(prior_root_.rows()) + 4 + bend_.terms();
  }
  int data_rows() const { return data_rows_; }
  int inertia_column() const { return shape_.size(); }
  int warmth_column() const { return shape_.size() + 1; }
  int age_column() const { return shape_.size() + 2; }
  int span_column() const { return shape_.size() + 3; }
  int first_start() const { return shape_.size() + 4; }
  int first_bend() const { return first_start() + static_cast<int>(runs_.size()); }

  bool evaluate(const double* x, double* r, double* jacobian) const override;
  Eigen::VectorXd start(const Eigen::VectorXd& curve) const;

 private:
  // What is the same at every step of one solution.
  struct Motion {
    Eigen::VectorXd p;
    Eigen::MatrixXd by_internal;
    double inertia, inertia_sd;
    const WindingWarmth& warming;
    double warmth;          ///< 1 = as usual
    Eigen::VectorXd bends;  ///< N·m
  };
  /// Values alone, or with their derivatives.
  std::vector<RunUpNode> solve(const Eigen::VectorXd& u, const double* x, std::size_t run,
                               bool with_derivatives) const;
  Eigen::VectorXd slope(const Eigen::VectorXd& w, const Motion& motion, double volts) const;
  void set_by_parameters(double* line, double weight, const Eigen::VectorXd& value) const;
  const MotorShape& shape_;
  TorqueBend bend_;
  const std::vector<RunUp>& runs_;
  Eigen::MatrixXd prior_root_;
  Eigen::VectorXd prior_mean_;
  std::vector<WindingWarmth> warming_;
  std::vector<std::vector<double>> moments_;  ///< of the nodes
  int data_rows_ = 0;
};

/// Size of what `runs` hold.
SweepScale scale_of(const std::vector<RunUp>& runs);
/// What a problem over `runs` leaves of the speeds of one, rad/s.
std::vector<double> left_over(const RunUpProblem& problem, const std::vector<RunUp>& runs,
                              const Eigen::VectorXd& parameters, std::size_t run);
/// Noise and weights of a run from what a fit of so many parameters leaves.
void update_noise(RunUp& run, const std::vector<double>& residuals, double fitted);

}  // namespace loadline
