#include "fit/drags/driven.h"

#include <fmt/format.h>

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>

#include "fit/drags/drag_constants.h"
#include "fit/equations/motor_equation.h"
#include "fit/readings/noise/noise.h"
#include "fit/readings/readings.h"
#include "fit/solver/dense.h"

namespace loadline {
namespace {

using namespace drag_chosen;

constexpr double kLeastPoints = 20;
constexpr double kLeastTyped = 4;  // one more than there are coefficients

// Parameters of the motor's curve at `ratio` times its supply, and their derivative by the original
// ones (all such changes are factors). A spline has no physics to move by and stays.
Eigen::VectorXd supply_factors(const Curve& motor, double ratio) {
  const MotorEquation* const equation = motor_equation(motor.model);
  if (!equation) return Eigen::VectorXd::Ones(motor.parameters.size());
  return parameter_factors(*equation, motor.parameter_names.size(), &MotorParameter::by_voltage,
                           ratio);
}

// The curve of one motor, and where in the rows it is the torque meter.
struct Meter {
  std::int64_t motor = 0;
  StoredCurve stored;
  Curve curve;
};

struct Rows {
  std::vector<DrivenPoint> points;
  std::vector<std::size_t> meter;         // of each row, in `meters`
  std::vector<Eigen::VectorXd> by_motor;  // d torque / d parameters of its motor
  std::vector<double> open;               // N·m at the hand wheel, see kEquation
  std::vector<double> sd;  // N·m, of a typed point's readings; 0 for a row of a recording
  bool stated = true;      // all of them by what stands beside the readings
  std::vector<Meter> meters;
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

std::string no_ratio_words(const Run& run) {
  return fmt::format(
      "Run {} was left out: its ratio is unknown (no hand-wheel speed, no pulley diameters).",
      run.id);
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

std::size_t meter_of(const Book& book, const Run& run, Rows& rows) {
  for (std::size_t i = 0; i < rows.meters.size(); ++i)
    if (run.motor && rows.meters[i].motor == run.motor) return i;
  const auto stored = run.motor ? book.latest_curve(false, run.motor) : std::nullopt;
  if (!stored)
    throw Error(Fault::kInput,
                fmt::format("driven run {} needs the curve of its motor{}; fit it first with "
                            "loadline-fit motor.",
                            run.id,
                            run.motor ? " '" + book.part(PartKind::kMotor, run.motor).name + "'"
                                      : ", and names no motor"));
  require_described(*stored, "motor '" + book.part(PartKind::kMotor, run.motor).name + "'");
  rows.meters.push_back({run.motor, *stored, Curve::from_stored(*stored)});
  return rows.meters.size() - 1;
}

/// One steady speed, as read.
struct SteadySpeed {
  double time_s = 0, speed = 0, volts = 0;  ///< rad/s of the motor; volts NaN where unknown
  double speed_sd = 0, volts_sd = 0;
};

// The torque of one steady speed through the motor's curve, referred to the hand wheel.
void take_speed(const SteadySpeed& steady, double ratio, std::size_t meter, Rows& rows) {
  const Curve& motor = rows.meters[meter].curve;
  const bool by_supply = motor.supply_v && std::isfinite(steady.volts);
  const double volts = by_supply ? steady.volts / *motor.supply_v : 1.0;
  const auto torque_at = [&](double share, double speed) {
    const Eigen::VectorXd p = supply_factors(motor, share).cwiseProduct(motor.parameters);
    return ratio * motor.equation->torque(p, speed);
  };
  const Eigen::VectorXd factors = supply_factors(motor, volts);
  const Eigen::VectorXd p = factors.cwiseProduct(motor.parameters);
  rows.points.push_back({steady.time_s, steady.speed / ratio, torque_at(volts, steady.speed)});
  rows.meter.push_back(meter);
  rows.by_motor.push_back(ratio * factors.cwiseProduct(motor.equation->gradient(p, steady.speed)));
  rows.open.push_back(ratio * kEquation * motor.equation->torque(p, 0));
  const double by_speed = std::fabs(torque_at(volts, steady.speed + steady.speed_sd) -
                                    torque_at(volts, steady.speed - steady.speed_sd)) /
                          2;
  const double share_sd = by_supply ? steady.volts_sd / *motor.supply_v : 0;
  const double by_volts = std::fabs(torque_at(volts + share_sd, steady.speed) -
                                    torque_at(volts - share_sd, steady.speed)) /
                          2;
  rows.sd.push_back(std::hypot(by_speed, by_volts));
}

double stated_or(double stated, double digit) { return stated > 0 ? stated : digit; }

// Typed points: each is a steady speed by itself.
bool take_points(const Book& book, const Readings& readings, std::size_t meter, Rows& rows,
                 bool& outside, DrivenFit& out) {
  std::vector<double> ratios;
  for (const SteadyPoint& p : readings.points)
    if (p.motor > 0 && p.handwheel > 0) ratios.push_back(p.motor / p.handwheel);
  const double ratio =
      ratios.empty() ? ratio_of_pulleys(book, readings.run) : median(std::move(ratios));
  if (!(ratio > 0)) {
    out.warnings.push_back(no_ratio_words(readings.run));
    return false;
  }
  bool any = false;
  for (const SteadyPoint& p : readings.points) {
    if (!(p.motor > 0)) continue;
    take_speed(
        {static_cast<double>(p.row), p.motor, p.supply_v, stated_or(p.motor_sd, p.motor_digit_sd),
         stated_or(p.supply_v_sd, p.supply_v_digit_sd)},
        ratio, meter, rows);
    rows.stated = rows.stated && p.motor_sd > 0 && (p.supply_v_sd > 0 || p.supply_v_digit_sd == 0);
    outside = outside || !rows.meters[meter].curve.measured_at(p.motor);
    any = true;
  }
  if (!any)
    out.warnings.push_back(
        fmt::format("Run {} was left out: it has no motor speed.", readings.run.id));
  return any;
}

bool take_trace(const Book& book, const Readings& readings, std::size_t meter, Rows& rows,
                bool& outside, DrivenFit& out) {
  if (readings.motor.empty()) {
    out.warnings.push_back(
        fmt::format("Run {} was left out: it has no motor speed.", readings.run.id));
    return false;
  }
  const SmoothSpeed motor_speed(readings.motor);
  double ratio = 0;
  if (!readings.handwheel.empty()) ratio = seen_ratio(motor_speed, SmoothSpeed(readings.handwheel));
  if (ratio == 0) ratio = ratio_of_pulleys(book, readings.run);
  if (ratio == 0) {
    out.warnings.push_back(no_ratio_words(readings.run));
    return false;
  }
  const double top = *std::max_element(readings.motor.speed.begin(), readings.motor.speed.end());
  for (std::size_t i = 0; i < readings.motor.speed.size(); ++i) {
    const double time = readings.motor.middle_s(i);
    const auto motion = motor_speed.at(time);
    if (!motion.valid || motion.speed < 0.03 * top) continue;
    if (std::fabs(motion.acceleration) > kSteady * top) continue;
    take_speed({time, motion.speed, supply_at(readings, time), 0, 0}, ratio, meter, rows);
    outside = outside || !rows.meters[meter].curve.measured_at(motion.speed);
  }
  return true;
}

void take_run(const Book& book, const Run& run, Rows& rows, DrivenFit& out) {
  const std::size_t meter = meter_of(book, run, rows);
  const Readings readings = load_readings(book, run.id, {.most = 6000});
  bool outside = false;
  const auto take = run.steady ? take_points : take_trace;
  if (!take(book, readings, meter, rows, outside, out)) return;
  out.runs.push_back(run.id);
  if (outside)
    out.warnings.push_back(fmt::format(
        "Run {} leans on its motor's curve outside the speeds at which that was measured.",
        run.id));
}

void require_enough(const Rows& rows, bool typed) {
  if (static_cast<double>(rows.points.size()) >= (typed ? kLeastTyped : kLeastPoints)) return;
  throw Error(
      Fault::kInput,
      typed ? fmt::format("the driven runs hold {} steady point{}, and a curve of three "
                          "coefficients needs {}; take more, at other supply settings.",
                          rows.points.size(), rows.points.size() == 1 ? "" : "s", kLeastTyped)
            : std::string("the driven runs hold too few steady speeds; let each supply setting "
                          "settle for some seconds and use at least three settings."));
}

/// c₀ + c₁u + c₂u² over u = speed / highest speed, weighted.
struct Regression {
  Eigen::MatrixXd basis, gain;  ///< gain: coefficients from torques
  Eigen::VectorXd torque, residual;
  Eigen::Vector3d scaled = Eigen::Vector3d::Zero();
  Eigen::Matrix3d inverse = Eigen::Matrix3d::Zero();  ///< of the weighted normal matrix
};

Regression regress(const Rows& rows, const Eigen::VectorXd& weights, double speed_high) {
  const auto n = static_cast<Eigen::Index>(rows.points.size());
  Regression r;
  r.basis.resize(n, 3);
  r.torque.resize(n);
  for (Eigen::Index i = 0; i < n; ++i) {
    const DrivenPoint& point = rows.points[static_cast<std::size_t>(i)];
    const double u = point.speed / speed_high;
    r.basis.row(i) << 1, u, u * u;
    r.torque[i] = point.torque;
  }
  if (rank_of(weights.cwiseSqrt().asDiagonal() * r.basis, 1e-7) < 3)
    throw Error(Fault::kInput,
                "the driven runs hold fewer than three different speeds; use at least three supply "
                "settings.");
  const Eigen::MatrixXd weighted = r.basis.transpose() * weights.asDiagonal();
  r.inverse = inverse_of(weighted * r.basis);
  r.gain = r.inverse * weighted;
  r.scaled = r.gain * r.torque;
  r.residual = r.torque - r.basis * r.scaled;
  return r;
}

// What its readings are known to, of every row.
bool knows_errors(const Rows& rows) {
  return *std::min_element(rows.sd.begin(), rows.sd.end()) > 0;
}

Eigen::VectorXd weights_of(const Rows& rows, bool weighted) {
  const auto n = static_cast<Eigen::Index>(rows.points.size());
  Eigen::VectorXd weights = Eigen::VectorXd::Ones(n);
  for (Eigen::Index i = 0; weighted && i < n; ++i)
    weights[i] = std::pow(rows.sd[static_cast<std::size_t>(i)], -2);
  return weights;
}

// All rows of a motor share its curve: E Σ Eᵀ through the regression, one motor after the other.
Eigen::Matrix3d from_curves(const Rows& rows, const Eigen::MatrixXd& gain) {
  Eigen::Matrix3d sum = Eigen::Matrix3d::Zero();
  for (std::size_t m = 0; m < rows.meters.size(); ++m) {
    const Eigen::MatrixXd covariance = dense(rows.meters[m].stored.covariance);
    Eigen::MatrixXd by_motor = Eigen::MatrixXd::Zero(gain.cols(), covariance.rows());
    for (std::size_t i = 0; i < rows.points.size(); ++i)
      if (rows.meter[i] == m) by_motor.row(static_cast<Eigen::Index>(i)) = rows.by_motor[i];
    const Eigen::MatrixXd through = gain * by_motor;
    sum += through * covariance * through.transpose();
  }
  return sum;
}

// What the motor's equation leaves open is a share of its whole torque, and the hand wheel feels
// only the last part of it: an offset common to all rows of a motor.
Eigen::Matrix3d from_equations(const Rows& rows, const Eigen::MatrixXd& gain) {
  Eigen::Matrix3d sum = Eigen::Matrix3d::Zero();
  for (std::size_t m = 0; m < rows.meters.size(); ++m) {
    Eigen::VectorXd open = Eigen::VectorXd::Zero(gain.cols());
    for (std::size_t i = 0; i < rows.points.size(); ++i)
      if (rows.meter[i] == m) open[static_cast<Eigen::Index>(i)] = rows.open[i];
    const Eigen::Vector3d through = gain * open;
    sum += through * through.transpose();
  }
  return sum;
}

}  // namespace

DrivenFit fit_driven(const Book& book, const std::vector<Run>& runs) {
  DrivenFit out;
  Rows rows;
  for (const Run& run : runs) take_run(book, run, rows, out);
  const bool typed = std::all_of(runs.begin(), runs.end(), [](const Run& r) { return r.steady; });
  require_enough(rows, typed);
  out.speed_low = 1e300;
  for (const DrivenPoint& point : rows.points) {
    out.speed_low = std::min(out.speed_low, point.speed);
    out.speed_high = std::max(out.speed_high, point.speed);
  }
  const bool weighted = typed && knows_errors(rows);
  const Eigen::VectorXd weights = weights_of(rows, weighted);
  const Regression fit = regress(rows, weights, out.speed_high);
  out.residuals.assign(fit.residual.begin(), fit.residual.end());
  const double values = static_cast<double>(rows.points.size());
  // Typed points are apart in time; rows of a recording have neighbours.
  const double factor = typed ? 1 : std::max(1.0, correlation_factor(out.residuals, 3).factor);
  const double squares = fit.residual.dot(weights.cwiseProduct(fit.residual));
  const double freedom = std::max(1.0, values - 3);
  const bool as_stated = weighted && rows.stated && borne_out(squares, freedom);
  double variance = as_stated ? 1 : squares / freedom;
  if (weighted) variance = std::max(variance, 1.0);  // no less than stated
  const Eigen::Matrix3d covariance = factor * variance * fit.inverse + from_curves(rows, fit.gain) +
                                     from_equations(rows, fit.gain);
  const Eigen::Vector3d unit(1, 1 / out.speed_high, 1 / (out.speed_high * out.speed_high));
  out.drag = unit.cwiseProduct(fit.scaled);
  out.covariance = unit.asDiagonal() * covariance * unit.asDiagonal();
  out.degrees_of_freedom = as_stated ? kStatedFreedom : values / factor - 3;
  for (const Meter& meter : rows.meters)
    out.degrees_of_freedom = std::min(out.degrees_of_freedom, meter.stored.degrees_of_freedom);
  out.degrees_of_freedom = std::max(typed ? 1.0 : 3.0, out.degrees_of_freedom);
  out.residual_rms = fit.residual.norm() / std::sqrt(values);
  out.points = std::move(rows.points);
  out.warnings.push_back(
      "The drag from driven runs includes what the belt wastes, and looks smaller when the motor "
      "was colder than in its brake runs: let it run warm first.");
  return out;
}

}  // namespace loadline
