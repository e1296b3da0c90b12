#include "fit/curves/driven.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "fit/readings/noise.h"
#include "fit/readings/readings.h"

namespace loadline {
namespace {

// Steady: the speed changes by less than this share of the greatest speed in a second. The
// inertia's part of the torque is then below what the motor's curve is known to.
constexpr double kSteady = 0.012;
constexpr double kLeastPoints = 20;
constexpr double kEquation = 0.003;  // of the standstill torque, as for the motor's own results

// Parameters of the motor's curve at `ratio` times its supply, and their derivative by the original
// ones (all such changes are factors): A and breakdown torque go with V², a permanent magnet's
// standstill torque and no-load speed with V (design of the curves).
Eigen::VectorXd supply_factors(const Curve& motor, double ratio) {
  Eigen::VectorXd factors = Eigen::VectorXd::Ones(motor.parameters.size());
  if (motor.model == "permanent-magnet")
    factors.setConstant(ratio);
  else
    factors[0] = ratio * ratio;
  return factors;
}

struct Rows {
  std::vector<DrivenPoint> points;
  std::vector<Eigen::VectorXd> by_motor;  // d torque / d motor parameters
  std::vector<double> open;               // N·m at the hand wheel, see kEquation
};

double ratio_of_pulleys(const Book& book, const Run& run) {
  const auto diameter = [&](std::int64_t id) -> double {
    if (id == 0) return 0;
    const Part pulley = book.part(PartKind::kPulley, id);
    return pulley.number("pitch-mm").value_or(pulley.number("rim-mm").value_or(0));
  };
  const double small = diameter(run.motor_pulley), large = diameter(run.hand_pulley);
  return small > 0 && large > 0 ? large / small : 0;
}

double supply_at(const Readings& readings, double time_s) {
  if (readings.supply_all_v.empty()) return readings.mean_supply_v();
  const auto after =
      std::lower_bound(readings.supply_time_s.begin(), readings.supply_time_s.end(), time_s);
  const auto at =
      std::min<std::size_t>(static_cast<std::size_t>(after - readings.supply_time_s.begin()),
                            readings.supply_all_v.size() - 1);
  return readings.supply_all_v[at];
}

// Gear ratio seen by the two tachometers (slip included), else by the pulleys' diameters.
double seen_ratio(const SmoothSpeed& motor, const SmoothSpeed& hand) {
  std::vector<double> ratios;
  for (std::size_t i = 0; i < hand.trace().speed.size(); ++i) {
    const double time = hand.trace().middle_s(i);
    const auto m = motor.at(time), h = hand.at(time);
    if (m.valid && h.valid && h.speed > 1) ratios.push_back(m.speed / h.speed);
  }
  return ratios.size() < 5 ? 0 : median(std::move(ratios));
}

void take_run(const Book& book, const Run& run, Rows& rows, DrivenFit& out) {
  const auto stored = run.motor ? book.latest_curve(false, run.motor) : std::nullopt;
  if (!stored)
    throw Error(Fault::kInput,
                fmt::format("driven run {} needs the curve of its motor{}; fit it first with "
                            "loadline-fit motor.",
                            run.id,
                            run.motor ? " '" + book.part(PartKind::kMotor, run.motor).name + "'"
                                      : ", and names no motor"));
  const Curve motor = Curve::from_stored(*stored);
  const Readings readings = load_readings(book, run.id, {.most = 6000});
  if (readings.motor.empty()) {
    out.warnings.push_back(fmt::format("Run {} was left out: it has no motor speed.", run.id));
    return;
  }
  const SmoothSpeed motor_speed(readings.motor);
  double ratio = 0;
  if (!readings.handwheel.empty()) ratio = seen_ratio(motor_speed, SmoothSpeed(readings.handwheel));
  if (ratio == 0) ratio = ratio_of_pulleys(book, run);
  if (ratio == 0) {
    out.warnings.push_back(fmt::format(
        "Run {} was left out: its ratio is unknown (no hand-wheel speed, no pulley diameters).",
        run.id));
    return;
  }
  const double top = *std::max_element(readings.motor.speed.begin(), readings.motor.speed.end());
  bool outside = false;
  for (std::size_t i = 0; i < readings.motor.speed.size(); ++i) {
    const double time = readings.motor.middle_s(i);
    const auto motion = motor_speed.at(time);
    if (!motion.valid || motion.speed < 0.03 * top) continue;
    if (std::fabs(motion.acceleration) > kSteady * top) continue;
    const double volts = motor.supply_v && std::isfinite(supply_at(readings, time))
                             ? supply_at(readings, time) / *motor.supply_v
                             : 1.0;
    const Eigen::VectorXd factors = supply_factors(motor, volts);
    const Eigen::VectorXd p = factors.cwiseProduct(motor.parameters);
    rows.points.push_back(
        {time, motion.speed / ratio, ratio * motor.equation->torque(p, motion.speed)});
    rows.by_motor.push_back(ratio *
                            factors.cwiseProduct(motor.equation->gradient(p, motion.speed)));
    rows.open.push_back(ratio * kEquation * motor.equation->torque(p, 0));
    outside = outside || !motor.measured_at(motion.speed);
  }
  out.runs.push_back(run.id);
  if (outside)
    out.warnings.push_back(fmt::format(
        "Run {} leans on its motor's curve outside the speeds at which that was measured.",
        run.id));
}

}  // namespace

DrivenFit fit_driven(const Book& book, const std::vector<Run>& runs) {
  DrivenFit out;
  Rows rows;
  for (const Run& run : runs) take_run(book, run, rows, out);
  const auto n = static_cast<Eigen::Index>(rows.points.size());
  if (static_cast<double>(n) < kLeastPoints)
    throw Error(
        Fault::kInput,
        "the driven runs hold too few steady speeds; let each supply setting settle for some "
        "seconds and use at least three settings.");
  out.speed_low = 1e300;
  for (const DrivenPoint& point : rows.points) {
    out.speed_low = std::min(out.speed_low, point.speed);
    out.speed_high = std::max(out.speed_high, point.speed);
  }
  Eigen::MatrixXd basis(n, 3);
  Eigen::VectorXd torque(n);
  for (Eigen::Index i = 0; i < n; ++i) {
    const DrivenPoint& point = rows.points[static_cast<std::size_t>(i)];
    const double u = point.speed / out.speed_high;
    basis.row(i) << 1, u, u * u;
    torque[i] = point.torque;
  }
  const Eigen::MatrixXd gain = (basis.transpose() * basis).inverse() * basis.transpose();
  const Eigen::Vector3d scaled = gain * torque;
  const Eigen::VectorXd residual = torque - basis * scaled;
  out.residuals.assign(residual.begin(), residual.end());
  const double values = static_cast<double>(n);
  const double factor = std::max(1.0, correlation_factor(out.residuals, 3).factor);
  const double variance = residual.squaredNorm() / std::max(1.0, values - 3);
  Eigen::Matrix3d covariance = factor * variance * (basis.transpose() * basis).inverse();
  // All rows share the motor's curve: E Σ Eᵀ through the regression.
  const auto stored = book.latest_curve(false, runs.front().motor);
  Eigen::MatrixXd by_motor(n, static_cast<Eigen::Index>(stored->parameters.size()));
  for (Eigen::Index i = 0; i < n; ++i) by_motor.row(i) = rows.by_motor[static_cast<std::size_t>(i)];
  const Eigen::MatrixXd through = gain * by_motor;
  covariance += through * dense(stored->covariance) * through.transpose();
  // What the motor's equation leaves open is a share of its whole torque, and the hand wheel feels
  // only the last part of it: an offset common to all rows.
  Eigen::VectorXd open(n);
  for (Eigen::Index i = 0; i < n; ++i) open[i] = rows.open[static_cast<std::size_t>(i)];
  const Eigen::Vector3d through_open = gain * open;
  covariance += through_open * through_open.transpose();

  const Eigen::Vector3d unit(1, 1 / out.speed_high, 1 / (out.speed_high * out.speed_high));
  out.drag = unit.cwiseProduct(scaled);
  out.covariance = unit.asDiagonal() * covariance * unit.asDiagonal();
  out.degrees_of_freedom = std::max(3.0, std::min(values / factor - 3, stored->degrees_of_freedom));
  out.residual_rms = std::sqrt(residual.squaredNorm() / values);
  out.points = std::move(rows.points);
  out.warnings.push_back(
      "The drag from driven runs includes what the belt wastes, and looks smaller when the motor "
      "was colder than in its brake runs: let it run warm first.");
  return out;
}

}  // namespace loadline
