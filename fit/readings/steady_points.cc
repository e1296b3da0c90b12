#include "fit/readings/steady_points.h"

#include <algorithm>
#include <cmath>

#include "db/basis/students_t.h"
#include "db/basis/units.h"

namespace loadline {
namespace {

double digit_sd(const std::vector<double>& values) {
  return reading_step(values) / std::sqrt(12.0);
}

double at(const std::vector<double>& column, std::size_t i) {
  return column.empty() ? SteadyPoint::kNone : column[i];
}

}  // namespace

bool borne_out(double squares, double freedom) {
  return squares / freedom < 1 + std::sqrt(2 / freedom);
}

double reading_step(std::span<const double> values) {
  double largest = 0;
  for (const double value : values)
    if (!std::isnan(value)) largest = std::max(largest, std::fabs(value));
  if (largest <= 0) return 0;
  constexpr double kCoarsest = 1e-2, kFinest = 1e-6;  // of the largest
  const auto multiple = [&](double step) {
    return std::all_of(values.begin(), values.end(), [&](double value) {
      const double steps = value / step;
      return std::isnan(value) || std::fabs(steps - std::round(steps)) < 1e-3;
    });
  };
  for (double power = std::floor(std::log10(kCoarsest * largest));; power -= 1) {
    const double step = std::pow(10.0, power);
    if (step < kFinest * largest) return 0;
    if (multiple(step)) return step;
  }
}

PointMean mean_of(std::span<const SteadyPoint> points, double SteadyPoint::*value,
                  double SteadyPoint::*sd, double SteadyPoint::*digit_sd) {
  std::vector<double> values, weights;
  double digit = 0;
  bool stated = true;
  for (const SteadyPoint& point : points) {
    if (std::isnan(point.*value)) continue;
    stated = stated && point.*sd > 0;
    values.push_back(point.*value);
    weights.push_back(point.*sd > 0 ? 1 / (point.*sd * point.*sd) : 0);
    digit = point.*digit_sd;
  }
  PointMean mean;
  mean.readings = static_cast<int>(values.size());
  if (values.empty()) return mean;
  if (!stated) weights.assign(values.size(), 1);
  double sum = 0, weight = 0, squares = 0;
  for (std::size_t i = 0; i < values.size(); ++i) {
    sum += weights[i] * values[i];
    weight += weights[i];
  }
  mean.value = sum / weight;
  for (std::size_t i = 0; i < values.size(); ++i)
    squares += weights[i] * (values[i] - mean.value) * (values[i] - mean.value);
  const double freedom = static_cast<double>(values.size()) - 1;
  const double scatter = freedom > 0 ? std::sqrt(squares / freedom / weight) : 0;
  if (stated) {
    mean.sd = std::max(1 / std::sqrt(weight), scatter);
    return mean;
  }
  const double student = freedom > 0 ? student_t_975(freedom) / kNormal975 : 1;
  mean.sd = std::max(scatter * student, digit);
  return mean;
}

std::vector<SteadyPoint> steady_points(const Book& book, const Run& run) {
  const ReadingColumns c = book.reading_columns(run.id);
  const double unit = rad_per_s_from_rpm(1);
  const double motor = unit * digit_sd(c.motor_rpm), hand = unit * digit_sd(c.handwheel_rpm);
  const double torque = digit_sd(c.torque_nm), supply = digit_sd(c.supply_v);
  std::vector<SteadyPoint> points;
  for (std::size_t i = 0; i < c.time_s.size(); ++i) {
    SteadyPoint& p = points.emplace_back();
    p.row = static_cast<int>(i) + 1;
    p.motor = unit * at(c.motor_rpm, i);
    p.handwheel = unit * at(c.handwheel_rpm, i);
    p.torque = at(c.torque_nm, i);
    p.supply_v = at(c.supply_v, i);
    if (std::isnan(p.supply_v)) p.supply_v = run.supply_v.value_or(SteadyPoint::kNone);
    p.temperature_c = at(c.temperature_c, i);
    p.motor_sd = unit * at(c.motor_rpm_sd, i);
    p.handwheel_sd = unit * at(c.handwheel_rpm_sd, i);
    p.torque_sd = at(c.torque_nm_sd, i);
    p.supply_v_sd = at(c.supply_v_sd, i);
    p.motor_digit_sd = motor;
    p.handwheel_digit_sd = hand;
    p.torque_digit_sd = torque;
    p.supply_v_digit_sd = supply;
  }
  return points;
}

}  // namespace loadline
