// The least-squares problem of one motor equation on one or more sweeps: curve parameters common to
// all, lag, inertia, drift and warm-up for each run, priors as rows of their own.
#pragma once

#include <vector>

#include "fit/brake_runs/sweeps/sweep.h"
#include "fit/equations/motor_shape.h"
#include "fit/solver/nonlinear.h"

namespace loadline {

/// Steady speed without load, as one more point of the curve (T = 0 there).
struct NoLoadPoint {
  std::int64_t run = 0;
  double speed = 0, sd = 0;  ///< rad/s
  double volts = 0;
};

/// Weights of a sweep's rows in the present pass.
struct SweepNoise {
  double sd = 1;                ///< of a single value, N·m
  double correlation = 1;       ///< factor g
  std::vector<double> weight;   ///< 0 (outlier) to 1, per row; times what is stated of typed points
  std::vector<double> belongs;  ///< of typed points: 0 (outlier) to 1 alone
  bool stated = false;  ///< sd is what was stated beside the readings, no less than they show
};

class SweepProblem final : public Residuals {
 public:
  enum Nuisance {
    kLag,
    kTurnLag,
    kSpread,
    kInertia,
    kDrift,
    kHeat,
    kTimeHeat,
    kWarm,
    kFlux,
    kTimeFlux,
    kNuisances
  };

  SweepProblem(const MotorShape& shape, const std::vector<Sweep>& sweeps,
               const std::vector<NoLoadPoint>& no_load, double reference_v, double drift_sd,
               double heat_sd);

  int count() const override { return rows_; }
  int parameters() const override;
  bool evaluate(const double* p, double* r, double* jacobian) const override;

  std::vector<SweepNoise> noise;  ///< one per sweep; set before each fit

  int curve_parameters() const { return shape_.size(); }
  /// First row and column of sweep `j`'s own values and nuisances.
  int row_of(std::size_t j) const { return row_of_[j]; }
  int data_rows() const { return data_rows_; }
  int column_of(std::size_t j) const { return shape_.size() + static_cast<int>(j) * kNuisances; }
  /// Physical value of a nuisance from the solution, and the unit of one standard deviation.
  double nuisance(const Eigen::VectorXd& solution, std::size_t sweep, Nuisance which) const;
  double nuisance_sd_before(std::size_t sweep, Nuisance which) const;
  /// Unweighted residuals of sweep `j`, N·m.
  std::vector<double> plain_residuals(const Eigen::VectorXd& solution, std::size_t j) const;
  /// The same of the values that its rows are means of, where they are.
  std::vector<double> single_residuals(const Eigen::VectorXd& solution, std::size_t j) const;
  /// Supply ratio of a row.
  double volts_ratio(double volts) const;

  /// Predicted reading of `row` of sweep `j`: curve parameters `p`, standardised nuisances `q`.
  double predict(const Eigen::VectorXd& p, const double* q, std::size_t j,
                 const SweepRow& row) const;
  /// The same with derivatives: of the torque, and of the reading by the kNuisances nuisances.
  double predict(const Eigen::VectorXd& p, const double* q, std::size_t j, const SweepRow& row,
                 MotorShape::Torque& of_motor, double* by_nuisance) const;

 private:
  /// What a row's torque hangs on, and what else is in its reading.
  struct Moment {
    double later, volts, heat, beside_torque;  ///< `later`: to be added to the row's speeds
    double flux;                               ///< of the magnets, 1 in the middle of the run
  };
  double torque(const Eigen::VectorXd& p, const Moment& at, const SweepRow& row) const;
  void torque(const Eigen::VectorXd& p, const Moment& at, const SweepRow& row,
              MotorShape::Torque& out, double& by_flux) const;
  std::vector<double> residuals_of(const std::vector<SweepRow>& rows,
                                   const Eigen::VectorXd& solution, std::size_t j) const;
  Moment moment(const double* q, std::size_t j, const SweepRow& row) const;
  // The parts of evaluate(); those with `p` fill the derivatives by curve parameters, which
  // evaluate() turns into those by internal ones.
  void fill_readings(const Eigen::VectorXd& p, const double* x, double* r, double* jacobian) const;
  void fill_no_load(const Eigen::VectorXd& p, double* r, double* jacobian) const;
  void fill_priors(const double* x, double* r, double* jacobian) const;
  double warm_sd(std::size_t j) const;
  double flux_sd() const;
  const MotorShape& shape_;
  const std::vector<Sweep>& sweeps_;
  const std::vector<NoLoadPoint>& no_load_;
  double reference_v_, drift_sd_, heat_sd_;
  Eigen::MatrixXd prior_root_;
  Eigen::VectorXd prior_mean_;
  std::vector<int> row_of_;
  int data_rows_ = 0, rows_ = 0;
};

}  // namespace loadline
