#include "fit/motor_runs/winding_temperature.h"

#include <algorithm>
#include <cmath>

#include "fit/curves/copper.h"
#include "fit/equations/motor_constants.h"
#include "fit/equations/motor_equation.h"

namespace loadline {
namespace {

using namespace motor_chosen;

constexpr double kReference_c = 20;  // of kCopperPerK
constexpr double kStart_s = 1;  // of the run: the sensor still reads what the motor was at rest
constexpr const char* kUnknown =
    "a curve at another winding temperature needs to know that of its runs: give it with "
    "--winding-c, or record brake runs with a temperature sensor on the motor's case.";

double resistance(double celsius) { return 1 + kCopperPerK * (celsius - kReference_c); }

std::optional<double> sensor_between(const Readings& readings, double from_s, double to_s) {
  double sum = 0, count = 0;
  const std::size_t known = std::min(readings.temperature_c.size(), readings.supply_time_s.size());
  for (std::size_t i = 0; i < known; ++i) {
    const double time = readings.supply_time_s[i];
    if (time < from_s || time > to_s || !std::isfinite(readings.temperature_c[i])) continue;
    sum += readings.temperature_c[i];
    count += 1;
  }
  if (count == 0) return std::nullopt;
  return sum / count;
}

std::optional<double> sensor_at_start(const Readings& readings) {
  if (readings.supply_time_s.empty()) return std::nullopt;
  const double start = readings.supply_time_s.front();
  return sensor_between(readings, start, start + kStart_s);
}

}  // namespace

WindingTemperature winding_temperature(const MotorFitOptions& options) {
  if (!options.winding_c) throw Error(Fault::kInput, kUnknown);
  return {*options.winding_c, kSaidSd};
}

WindingTemperature winding_temperature(const MotorFitOptions& options, const Readings& readings,
                                       const RunFinding& finding) {
  if (options.winding_c) return winding_temperature(options);
  const auto start = sensor_at_start(readings);
  if (!start) throw Error(Fault::kInput, kUnknown);
  // The warm-up found is in per cent of the resistance, from the run's start to its end.
  const double per_k = 100 * kCopperPerK / resistance(*start);
  const double risen = finding.warm_up.value.value_or(0) / per_k;
  double risen_sd = std::fabs(risen) / 4;  // how it went with time
  if (finding.warm_up.low && finding.warm_up.high)
    risen_sd = std::hypot(risen_sd,
                          (*finding.warm_up.high - *finding.warm_up.low) / (2 * 1.96) / per_k / 2);
  return {*start + risen / 2, std::hypot(kSensorSd, risen_sd)};
}

std::optional<double> case_rise(const Readings& readings) {
  const auto start = sensor_at_start(readings);
  if (!start) return std::nullopt;
  const double end = readings.supply_time_s.back();
  const auto at_end = sensor_between(readings, end - kStart_s, end);
  if (!at_end) return std::nullopt;
  return *at_end - *start;
}

FluxPerK flux_per_k(const std::vector<FluxSeen>& seen) {
  double precision = 1 / (kFluxPerKSd * kFluxPerKSd), sum = kFluxPerK * precision;
  for (const FluxSeen& one : seen) {
    const Estimate& change = one.change;
    if (!change.value || !change.low || !change.high) continue;
    const double sd = (*change.high - *change.low) / (2 * 1.96) / 100;
    // By the run alone: without what the fit took for likely beforehand, a change of none.
    const double by_run = 1 / (sd * sd) - 1 / (one.sd_before * one.sd_before);
    if (!(sd > 0 && by_run > 0)) continue;
    const double alone = *change.value / 100 / (sd * sd) / by_run;
    precision += one.warmer * one.warmer * by_run;
    sum += one.warmer * alone * by_run;
  }
  return {sum / precision, 1 / std::sqrt(precision)};
}

void move_to_winding(Curve& curve, const WindingTemperature& from, double celsius,
                     const FluxPerK& flux_per_k) {
  const MotorEquation& motor = *motor_equation(curve.model);
  const std::size_t count = curve.parameter_names.size();
  const double warmer = celsius - from.celsius;
  const double growth = resistance(celsius) / resistance(from.celsius);
  const double flux = std::max(1 + flux_per_k.value * warmer, 0.1);
  curve.scale_parameters(parameter_factors(motor, count, &MotorParameter::by_resistance, growth));
  curve.scale_parameters(parameter_factors(motor, count, &MotorParameter::by_flux, flux));
  // Each parameter's derivatives by the temperature that the runs had, and by what flux a kelvin
  // costs.
  Eigen::VectorXd by_from = curve.parameters, by_flux_per_k = curve.parameters;
  for (Eigen::Index i = 0; i < by_from.size(); ++i) {
    const MotorParameter& parameter = motor.parameters[static_cast<std::size_t>(i)];
    by_from[i] *= -parameter.by_resistance * kCopperPerK / resistance(from.celsius) -
                  parameter.by_flux * flux_per_k.value / flux;
    by_flux_per_k[i] *= parameter.by_flux * warmer / flux;
  }
  curve.covariance += from.sd * from.sd * by_from * by_from.transpose() +
                      flux_per_k.sd * flux_per_k.sd * by_flux_per_k * by_flux_per_k.transpose();
}

}  // namespace loadline
