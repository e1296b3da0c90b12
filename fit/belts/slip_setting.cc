#include "fit/belts/slip_setting.h"

#include <algorithm>
#include <cmath>

#include "db/basis/units.h"
#include "fit/belts/steady_part.h"
#include "fit/readings/noise.h"

namespace loadline {
namespace {

constexpr double kLeastBandPercent = 12, kMostBandPercent = 30;
// A driven hand wheel turns at a twelfth of the motor's speed or faster; noise of a tachometer at
// rest stays far below a fiftieth.
constexpr double kTurningShare = 0.02;
constexpr double kTurningLeastRpm = 3;

std::vector<double> later(const std::vector<double>& values) {
  return {values.begin() + static_cast<std::ptrdiff_t>(values.size() * 2 / 5), values.end()};
}

Estimate about(double value, double sd, const std::string& unit) {
  return Estimate::with_half_width(value, 1.96 * sd, unit);
}

struct Creep {
  Estimate rpm;
  double start_s = 0, end_s = 0;
};

Creep creep_of(const SpeedTrace& motor) {
  SteadyOptions options;
  options.least_seconds = 0.3;
  options.least_turns = 0;
  options.tolerance_percent = 10;
  const SteadyPart part = steady_part(motor, options);
  const double to_rpm = rpm_from_rad_per_s(1);
  if (part.found())
    return {about(part.speed * to_rpm, part.speed_sd * to_rpm, "rpm"), part.start_s, part.end_s};
  const std::vector<double> tail = later(motor.speed);
  const std::size_t first = motor.speed.size() - tail.size();
  return {Estimate::exact(median(tail) * to_rpm, "rpm"), motor.start_s[first], motor.end_s.back()};
}

std::vector<double> torques_between(const Readings& readings, double start_s, double end_s) {
  std::vector<double> values;
  for (std::size_t i = 0; i < readings.torque.size(); ++i)
    if (readings.time_s[i] >= start_s && readings.time_s[i] <= end_s)
      values.push_back(readings.torque[i]);
  return values;
}

Estimate torque_of(std::vector<double> values) {
  double mean = 0, ss = 0;
  const auto n = static_cast<double>(values.size());
  for (const double v : values) mean += v / n;
  for (double& v : values) v -= mean, ss += v * v;
  const double factor = std::max(1.0, correlation_factor(values, 1).factor);
  const double sd = n > 1 ? std::sqrt(ss / (n - 1) / n * factor) : 0;
  return n >= 8 ? about(mean, sd, "N·m") : Estimate::exact(mean, "N·m");
}

bool hand_wheel_turned(const Readings& readings, double creep_rpm) {
  if (readings.handwheel.speed.size() < 3) return false;
  const double rpm = rpm_from_rad_per_s(median(later(readings.handwheel.speed)));
  return rpm > std::max(kTurningLeastRpm, kTurningShare * creep_rpm);
}

}  // namespace

SlipSetting slip_setting(const Readings& readings) {
  SlipSetting setting;
  setting.run = readings.run.id;
  double start_s = 0, end_s = readings.duration_s;
  if (readings.motor.speed.size() >= 3) {
    const Creep creep = creep_of(readings.motor);
    setting.creep = creep.rpm;
    start_s = creep.start_s;
    end_s = creep.end_s;
  }
  if (!readings.torque.empty()) {
    std::vector<double> values =
        setting.creep ? torques_between(readings, start_s, end_s) : later(readings.torque);
    if (values.empty()) values = later(readings.torque);
    if (!values.empty()) setting.torque = torque_of(std::move(values));
  }
  const double creep_rpm = setting.creep ? *setting.creep->value : 0;
  if (!setting.creep && !setting.torque)
    setting.fault = "holds neither motor speed nor torque";
  else if (setting.creep && !(creep_rpm > 0))
    setting.fault = "shows no slip: the motor stood still";
  else if (hand_wheel_turned(readings, creep_rpm))
    setting.fault = "is none: the hand wheel turned";
  return setting;
}

SlipBand slip_band(const std::string& quantity, const std::string& unit,
                   std::span<const double> values, std::optional<double> percent) {
  SlipBand band;
  band.quantity = quantity;
  band.unit = unit;
  band.checks = values.size();
  band.middle = median({values.begin(), values.end()});
  const double own = 400 * robust_sd(values) / std::fabs(band.middle);
  band.percent = percent.value_or(std::clamp(own, kLeastBandPercent, kMostBandPercent));
  const double half = band.percent / 100 * std::fabs(band.middle);
  band.low = band.middle - half;
  band.high = band.middle + half;
  return band;
}

}  // namespace loadline
