#include "fit/brake_runs/sweep_problem.h"

#include <cmath>

#include "fit/brake_runs/sweeps/brake_constants.h"
#include "fit/equations/motor_equation.h"

namespace loadline {

using Eigen::VectorXd;
using Lines = Eigen::Map<Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>>;

SweepProblem::SweepProblem(const MotorShape& shape, const std::vector<Sweep>& sweeps,
                           const std::vector<NoLoadPoint>& no_load, double reference_v,
                           double drift_sd, double heat_sd)
    : shape_(shape),
      sweeps_(sweeps),
      no_load_(no_load),
      reference_v_(reference_v),
      drift_sd_(drift_sd),
      heat_sd_(heat_sd),
      prior_root_(shape.prior_root()),
      prior_mean_(shape.prior_mean()) {
  for (const Sweep& sweep : sweeps_) {
    row_of_.push_back(data_rows_);
    data_rows_ += static_cast<int>(sweep.rows.size());
    noise.push_back({1, 1, std::vector<double>(sweep.rows.size(), 1.0), {}});
  }
  rows_ = data_rows_ + static_cast<int>(no_load_.size()) + static_cast<int>(prior_root_.rows()) +
          kNuisances * static_cast<int>(sweeps_.size());
}

int SweepProblem::parameters() const {
  return shape_.size() + kNuisances * static_cast<int>(sweeps_.size());
}

double SweepProblem::volts_ratio(double volts) const {
  return std::isfinite(volts) && std::isfinite(reference_v_) && reference_v_ > 0
             ? volts / reference_v_
             : 1.0;
}

double SweepProblem::nuisance_sd_before(std::size_t j, Nuisance which) const {
  const Sweep& sweep = sweeps_[j];
  switch (which) {
    case kLag:
      return sweep.lag.sd;
    case kTurnLag:
      return sweep.turn_lag.sd;
    case kSpread:
      return sweep.spread.sd;
    case kInertia:
      return sweep.inertia.sd;
    case kDrift:
      return drift_sd_;
    case kWarm:
      return warm_sd(j);
    case kFlux:
    case kTimeFlux:
      return flux_sd();
    default:
      return heat_sd_;
  }
}

// The curve is that of the first run's motor; later runs may have found it warmer or cooler.
double SweepProblem::warm_sd(std::size_t j) const {
  return j == 0 ? 1e-9 : brake_chosen::kWarmShare * heat_sd_;
}

double SweepProblem::flux_sd() const {
  const MotorEquation* const motor = motor_equation(shape_.name());
  return heat_sd_ > 1e-6 && motor && motor->flux_sd > 0 ? motor->flux_sd : 1e-9;
}

double SweepProblem::nuisance(const VectorXd& solution, std::size_t j, Nuisance which) const {
  const Sweep& sweep = sweeps_[j];
  const double mean = which == kLag       ? sweep.lag.mean
                      : which == kTurnLag ? sweep.turn_lag.mean
                      : which == kSpread  ? sweep.spread.mean
                      : which == kInertia ? sweep.inertia.mean
                                          : 0;
  return mean + nuisance_sd_before(j, which) * solution[column_of(j) + which];
}

SweepProblem::Moment SweepProblem::moment(const double* q, std::size_t j,
                                          const SweepRow& row) const {
  const Sweep& sweep = sweeps_[j];
  const double lag = sweep.lag.mean + sweep.lag.sd * q[kLag];
  const double turns = sweep.turn_lag.mean + sweep.turn_lag.sd * q[kTurnLag];
  const double late = lag - sweep.lag_s - turns_s(turns - sweep.turns, row.speed);
  const double inertia = sweep.inertia.mean + sweep.inertia.sd * q[kInertia];
  const double heat =
      heat_sd_ * (q[kHeat] * row.warmth + q[kTimeHeat] * (row.share - 0.5)) + warm_sd(j) * q[kWarm];
  return {-row.acceleration * late, volts_ratio(row.volts), heat,
          drift_sd_ * q[kDrift] * row.share - inertia * (row.acceleration - row.jerk * late) +
              (sweep.spread.mean + sweep.spread.sd * q[kSpread]) * row.bend / 2,
          1 + flux_sd() * (q[kFlux] * row.warmth + q[kTimeFlux] * (row.share - 0.5))};
}

double SweepProblem::torque(const VectorXd& p, const Moment& at, const SweepRow& row) const {
  // T = k(V − kω)/R: with its flux k times f the motor gives f·T(f·ω).
  const auto torque_at = [&](double speed) {
    return at.flux * shape_.torque(p, at.flux * (speed + at.later), at.volts, at.heat);
  };
  if (row.parts == 0) return torque_at(row.speed);
  double sum = 0;
  for (std::size_t i = 0; i < row.part_speed.size(); ++i)
    sum += row.part_share[i] * torque_at(row.part_speed[i]);
  return sum;
}

void SweepProblem::torque(const VectorXd& p, const Moment& at, const SweepRow& row,
                          MotorShape::Torque& out, double& by_flux) const {
  MotorShape::Torque part;
  out = {0, 0, 0, VectorXd::Zero(shape_.size())};
  by_flux = 0;
  const std::size_t parts = row.parts == 0 ? 1 : row.part_speed.size();
  for (std::size_t i = 0; i < parts; ++i) {
    const double speed = (row.parts == 0 ? row.speed : row.part_speed[i]) + at.later;
    const double share = row.parts == 0 ? 1 : row.part_share[i];
    shape_.torque(p, at.flux * speed, at.volts, at.heat, part);
    out.value += share * at.flux * part.value;
    out.by_speed += share * at.flux * at.flux * part.by_speed;
    out.by_heat += share * at.flux * part.by_heat;
    out.by_p += share * at.flux * part.by_p;
    by_flux += share * (part.value + at.flux * speed * part.by_speed);
  }
}

double SweepProblem::predict(const VectorXd& p, const double* q, std::size_t j,
                             const SweepRow& row) const {
  const Moment at = moment(q, j, row);
  return torque(p, at, row) + at.beside_torque;
}

double SweepProblem::predict(const VectorXd& p, const double* q, std::size_t j, const SweepRow& row,
                             MotorShape::Torque& of_motor, double* by_nuisance) const {
  const Moment at = moment(q, j, row);
  double by_flux = 0;
  torque(p, at, row, of_motor, by_flux);
  const Sweep& sweep = sweeps_[j];
  const double inertia = sweep.inertia.mean + sweep.inertia.sd * q[kInertia];
  const double by_late = -of_motor.by_speed * row.acceleration + inertia * row.jerk;
  by_nuisance[kLag] = by_late * sweep.lag.sd;
  by_nuisance[kTurnLag] = -by_late * turns_s(sweep.turn_lag.sd, row.speed);
  by_nuisance[kSpread] = sweep.spread.sd * row.bend / 2;
  by_nuisance[kInertia] = -row.acceleration * sweep.inertia.sd;
  by_nuisance[kFlux] = by_flux * flux_sd() * row.warmth;
  by_nuisance[kTimeFlux] = by_flux * flux_sd() * (row.share - 0.5);
  by_nuisance[kDrift] = drift_sd_ * row.share;
  by_nuisance[kWarm] = of_motor.by_heat * warm_sd(j);
  by_nuisance[kTimeHeat] = of_motor.by_heat * heat_sd_ * (row.share - 0.5);
  by_nuisance[kHeat] = of_motor.by_heat * heat_sd_ * row.warmth;
  return of_motor.value + at.beside_torque;
}

void SweepProblem::fill_readings(const VectorXd& p, const double* x, double* r,
                                 double* jacobian) const {
  const int k = parameters(), size = shape_.size();
  MotorShape::Torque torque;
  double by_nuisance[kNuisances];
  double* line = jacobian;
  for (std::size_t j = 0; j < sweeps_.size(); ++j) {
    const double* q = x + column_of(j);
    const double scale = 1 / (noise[j].sd * std::sqrt(noise[j].correlation));
    for (std::size_t i = 0; i < sweeps_[j].rows.size(); ++i, ++r) {
      const SweepRow& row = sweeps_[j].rows[i];
      const double weight = scale * std::sqrt(noise[j].weight[i]);
      if (!jacobian) {
        *r = weight * (predict(p, q, j, row) - row.torque);
        continue;
      }
      *r = weight * (predict(p, q, j, row, torque, by_nuisance) - row.torque);
      for (int c = 0; c < size; ++c) line[c] = weight * torque.by_p[c];
      for (int c = 0; c < kNuisances; ++c) line[column_of(j) + c] = weight * by_nuisance[c];
      line += k;
    }
  }
}

void SweepProblem::fill_no_load(const VectorXd& p, double* r, double* jacobian) const {
  MotorShape::Torque torque;
  for (const NoLoadPoint& point : no_load_) {
    shape_.torque(p, point.speed, volts_ratio(point.volts), 0, torque);
    const double weight = 1 / std::max(1e-12, std::fabs(torque.by_speed) * point.sd);
    *r++ = weight * torque.value;
    if (!jacobian) continue;
    Eigen::Map<VectorXd>(jacobian, shape_.size()) = weight * torque.by_p;
    jacobian += parameters();
  }
}

void SweepProblem::fill_priors(const double* x, double* r, double* jacobian) const {
  const int k = parameters(), size = shape_.size();
  const auto of_shape = prior_root_.rows();
  const VectorXd u = Eigen::Map<const VectorXd>(x, size);
  Eigen::Map<VectorXd>(r, of_shape) = prior_root_ * (u - prior_mean_);
  Eigen::Map<VectorXd>(r + of_shape, k - size) = Eigen::Map<const VectorXd>(x + size, k - size);
  if (!jacobian) return;
  Lines lines(jacobian, of_shape + k - size, k);
  lines.topLeftCorner(of_shape, size) = prior_root_;
  lines.bottomRightCorner(k - size, k - size).setIdentity();
}

bool SweepProblem::evaluate(const double* x, double* r, double* jacobian) const {
  const VectorXd u = Eigen::Map<const VectorXd>(x, shape_.size());
  const VectorXd p = shape_.natural(u);
  if (!p.allFinite()) return false;
  const int k = parameters(), of_curve = data_rows_ + static_cast<int>(no_load_.size());
  const auto from = [&](int row) {
    return jacobian ? jacobian + static_cast<std::ptrdiff_t>(row) * k : nullptr;
  };
  if (jacobian) Lines(jacobian, rows_, k).setZero();
  fill_readings(p, x, r, jacobian);
  fill_no_load(p, r + data_rows_, from(data_rows_));
  if (jacobian) {
    auto by_curve = Lines(jacobian, rows_, k).topLeftCorner(of_curve, shape_.size());
    by_curve = (by_curve * shape_.natural_by_internal(u)).eval();
  }
  fill_priors(x, r + of_curve, from(of_curve));
  return true;
}

std::vector<double> SweepProblem::plain_residuals(const VectorXd& solution, std::size_t j) const {
  return residuals_of(sweeps_[j].rows, solution, j);
}

std::vector<double> SweepProblem::single_residuals(const VectorXd& solution, std::size_t j) const {
  return residuals_of(sweeps_[j].single(), solution, j);
}

std::vector<double> SweepProblem::residuals_of(const std::vector<SweepRow>& rows,
                                               const VectorXd& solution, std::size_t j) const {
  const VectorXd p = shape_.natural(solution.head(shape_.size()));
  const double* q = solution.data() + column_of(j);
  std::vector<double> residuals;
  residuals.reserve(rows.size());
  for (const SweepRow& row : rows) residuals.push_back(row.torque - predict(p, q, j, row));
  return residuals;
}

}  // namespace loadline
