#include "fit/curves/sweep_problem.h"

#include <cmath>

namespace loadline {

using Eigen::VectorXd;

namespace {
// From run to run the winding's warmth differs by more than within one.
constexpr double kWarmShare = 2;
}  // namespace

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
    noise.push_back({1, 1, std::vector<double>(sweep.rows.size(), 1.0)});
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
    case kInertia:
      return sweep.inertia.sd;
    case kDrift:
      return drift_sd_;
    case kWarm:
      return warm_sd(j);
    default:
      return heat_sd_;
  }
}

// The curve is that of the first run's motor; later runs may have found it warmer or cooler.
double SweepProblem::warm_sd(std::size_t j) const { return j == 0 ? 1e-9 : kWarmShare * heat_sd_; }

double SweepProblem::nuisance(const VectorXd& solution, std::size_t j, Nuisance which) const {
  const Sweep& sweep = sweeps_[j];
  const double mean = which == kLag ? sweep.lag.mean : (which == kInertia ? sweep.inertia.mean : 0);
  return mean + nuisance_sd_before(j, which) * solution[column_of(j) + which];
}

// Predicted reading; `by_nuisance` by the standardised nuisances.
double SweepProblem::predict(const VectorXd& p, const double* q, const Sweep& sweep,
                             const SweepRow& row, MotorShape::Torque& torque,
                             double* by_nuisance) const {
  const double lag = sweep.lag.mean + sweep.lag.sd * q[kLag];
  const double inertia = sweep.inertia.mean + sweep.inertia.sd * q[kInertia];
  const double warm = warm_sd(static_cast<std::size_t>(&sweep - sweeps_.data()));
  const double heat =
      heat_sd_ * (q[kHeat] * row.warmth + q[kTimeHeat] * (row.share - 0.5)) + warm * q[kWarm];
  const double speed = row.speed - row.acceleration * (lag - sweep.lag_s);
  shape_.torque(p, speed, volts_ratio(row.volts), heat, torque);
  if (by_nuisance) {
    by_nuisance[kLag] = -torque.by_speed * row.acceleration * sweep.lag.sd;
    by_nuisance[kInertia] = -row.acceleration * sweep.inertia.sd;
    by_nuisance[kDrift] = drift_sd_ * row.share;
    by_nuisance[kWarm] = torque.by_heat * warm;
    by_nuisance[kTimeHeat] = torque.by_heat * heat_sd_ * (row.share - 0.5);
    by_nuisance[kHeat] = torque.by_heat * heat_sd_ * row.warmth;
  }
  return torque.value - inertia * row.acceleration + drift_sd_ * q[kDrift] * row.share;
}

bool SweepProblem::evaluate(const double* x, double* r, double* jacobian) const {
  const int k = parameters(), size = shape_.size();
  const VectorXd u = Eigen::Map<const VectorXd>(x, size);
  const VectorXd p = shape_.natural(u);
  if (!p.allFinite()) return false;
  const Eigen::MatrixXd by_internal = shape_.natural_by_internal(u);
  using RowMajor = Eigen::Matrix<double, Eigen::Dynamic, Eigen::Dynamic, Eigen::RowMajor>;
  if (jacobian) Eigen::Map<RowMajor>(jacobian, rows_, k).setZero();
  MotorShape::Torque torque;
  double by_nuisance[kNuisances];
  int at = 0;
  for (std::size_t j = 0; j < sweeps_.size(); ++j) {
    const double* q = x + column_of(j);
    const double scale = 1 / (noise[j].sd * std::sqrt(noise[j].correlation));
    for (std::size_t i = 0; i < sweeps_[j].rows.size(); ++i, ++at) {
      const SweepRow& row = sweeps_[j].rows[i];
      const double weight = scale * std::sqrt(noise[j].weight[i]);
      r[at] = weight * (predict(p, q, sweeps_[j], row, torque, by_nuisance) - row.torque);
      if (!jacobian) continue;
      Eigen::Map<VectorXd> line(jacobian + static_cast<std::ptrdiff_t>(at) * k, k);
      line.head(size) = weight * (by_internal.transpose() * torque.by_p);
      for (int c = 0; c < kNuisances; ++c) line[column_of(j) + c] = weight * by_nuisance[c];
    }
  }
  for (const NoLoadPoint& point : no_load_) {
    shape_.torque(p, point.speed, volts_ratio(point.volts), 0, torque);
    const double weight = 1 / std::max(1e-12, std::fabs(torque.by_speed) * point.sd);
    r[at] = weight * torque.value;
    if (jacobian)
      Eigen::Map<VectorXd>(jacobian + static_cast<std::ptrdiff_t>(at) * k, k).head(size) =
          weight * (by_internal.transpose() * torque.by_p);
    ++at;
  }
  const VectorXd prior = prior_root_ * (u - prior_mean_);
  for (Eigen::Index i = 0; i < prior.size(); ++i, ++at) {
    r[at] = prior[i];
    if (jacobian)
      Eigen::Map<VectorXd>(jacobian + static_cast<std::ptrdiff_t>(at) * k, k).head(size) =
          prior_root_.row(i);
  }
  for (int c = size; c < k; ++c, ++at) {
    r[at] = x[c];
    if (jacobian) jacobian[static_cast<std::ptrdiff_t>(at) * k + c] = 1;
  }
  return true;
}

std::vector<double> SweepProblem::plain_residuals(const VectorXd& solution, std::size_t j) const {
  const VectorXd p = shape_.natural(solution.head(shape_.size()));
  MotorShape::Torque torque;
  std::vector<double> residuals;
  for (const SweepRow& row : sweeps_[j].rows)
    residuals.push_back(
        row.torque - predict(p, solution.data() + column_of(j), sweeps_[j], row, torque, nullptr));
  return residuals;
}

}  // namespace loadline
