#include "fit/motors/motor_budget.h"

#include <Eigen/Core>
#include <cmath>
#include <numeric>
#include <utility>

#include "db/basis/units.h"
#include "fit/curves/results.h"
#include "fit/solver/dense.h"

namespace loadline {

BudgetLine line_of(const Curve& curve, const Eigen::MatrixXd& covariance, std::string source) {
  BudgetLine line;
  line.source = std::move(source);
  const double rpm = rpm_from_rad_per_s(1);
  const CurveResult stall = stall_torque(curve);
  if (std::isfinite(stall.value)) line.stall_torque = stall.sd(covariance);
  if (const auto top = no_load_speed(curve)) line.no_load_speed = rpm * top->sd(covariance);
  if (const auto peak = peak_power(curve)) {
    line.peak_power = peak->power.sd(covariance);
    line.peak_power_speed = rpm * peak->speed.sd(covariance);
  }
  return line;
}

BudgetLine equation_line(const MotorFit& out, const EquationDoubt& doubt) {
  const double rpm = rpm_from_rad_per_s(1);
  BudgetLine line;
  line.source = "equation";
  line.stall_torque = std::hypot(doubt.everywhere, doubt.stall) * stall_torque(out.curve).value;
  if (const auto top = no_load_speed(out.curve))
    line.no_load_speed = doubt.no_load * rpm * top->value;
  if (const auto peak = peak_power(out.curve)) {
    line.peak_power = std::hypot(doubt.everywhere, doubt.power) * peak->power.value;
    line.peak_power_speed = doubt.power_speed * rpm * peak->speed.value;
  }
  return line;
}

namespace {

// Of all parameters of the curve, from an internal covariance: those that no fit moves have none.
Eigen::MatrixXd of_curve(const MotorFit& out, const SweepFit& fit,
                         const Eigen::MatrixXd& covariance) {
  const Eigen::Index k = fit.shape->size(), all = out.curve.parameters.size();
  Eigen::MatrixXd natural = Eigen::MatrixXd::Zero(all, all);
  natural.topLeftCorner(k, k) = fit.natural_by_internal * covariance.topLeftCorner(k, k) *
                                fit.natural_by_internal.transpose();
  return natural;
}

// The same from an internal covariance.
BudgetLine line_from(const MotorFit& out, const SweepFit& fit, const Eigen::MatrixXd& covariance,
                     std::string source) {
  return line_of(out.curve, of_curve(out, fit, covariance), std::move(source));
}

// With everything but `freed` held at its estimate, what is the curve's covariance?
Eigen::MatrixXd conditional(const SweepFit& fit, const std::vector<int>& freed) {
  const Eigen::MatrixXd information = fit.solution.jacobian.transpose() * fit.solution.jacobian;
  const auto n = static_cast<Eigen::Index>(freed.size());
  Eigen::MatrixXd part(n, n);
  for (Eigen::Index i = 0; i < n; ++i)
    for (Eigen::Index j = 0; j < n; ++j)
      part(i, j) =
          information(freed[static_cast<std::size_t>(i)], freed[static_cast<std::size_t>(j)]);
  return inverse_of(part);
}

}  // namespace

void add_budget(MotorFit& out, const SweepFit& fit, const EquationDoubt& doubt) {
  std::vector<int> freed(static_cast<std::size_t>(fit.shape->size()));
  std::iota(freed.begin(), freed.end(), 0);
  Eigen::MatrixXd before = conditional(fit, freed);
  out.budget.push_back(line_from(out, fit, before, "noise"));
  const std::pair<SweepProblem::Nuisance, const char*> nuisances[] = {
      {SweepProblem::kLag, "lag"},
      {SweepProblem::kTurnLag, "lag of the speed"},
      {SweepProblem::kSpread, "window of the cell"},
      {SweepProblem::kInertia, "inertia"},
      {SweepProblem::kDrift, "drift of zero"},
      {SweepProblem::kHeat, "warm-up"},
      {SweepProblem::kTimeHeat, "course of the warm-up"},
      {SweepProblem::kWarm, "warmth from run to run"},
      {SweepProblem::kFlux, "warmth of the magnets"},
      {SweepProblem::kTimeFlux, "course of the magnets' warmth"}};
  for (const auto& [which, name] : nuisances) {
    for (std::size_t j = 0; j < fit.sweeps.size(); ++j)
      freed.push_back(fit.problem->column_of(j) + which);
    const Eigen::MatrixXd now = conditional(fit, freed);
    const int k = fit.shape->size();
    out.budget.push_back(
        line_from(out, fit, now.topLeftCorner(k, k) - before.topLeftCorner(k, k), name));
    before = now;
  }
  double slope = 0, arm = 0;
  Eigen::MatrixXd zero = Eigen::MatrixXd::Zero(fit.covariance.rows(), fit.covariance.cols());
  Eigen::MatrixXd bow = zero;
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j) {
    const TorqueSystematics& s = fit.sweeps[j].systematics;
    slope = std::max(slope, s.slope_relative);
    arm = std::max(arm, s.arm_relative);
    zero += s.zero_nm * s.zero_nm * fit.by_zero[j] * fit.by_zero[j].transpose();
    bow += fit.bow_sd * fit.bow_sd * fit.by_bow[j] * fit.by_bow[j].transpose();
  }
  const Eigen::MatrixXd scale = fit.by_torque_scale * fit.by_torque_scale.transpose();
  out.budget.push_back(line_from(out, fit, bow, "bow of the zero's drift"));
  out.budget.push_back(line_from(out, fit, zero, "zero"));
  out.budget.push_back(line_from(out, fit, slope * slope * scale, "slope"));
  out.budget.push_back(line_from(out, fit, arm * arm * scale, "arm"));
  if (fit.levels.known)
    out.budget.push_back(line_from(out, fit, fit.of_levels, "scatter from run to run"));
  out.budget.push_back(out.curve.parameters.size() > fit.shape->size()
                           ? line_of(out.curve,
                                     out.curve.covariance - of_curve(out, fit, fit.covariance),
                                     "equation")
                           : equation_line(out, doubt));
}

}  // namespace loadline
