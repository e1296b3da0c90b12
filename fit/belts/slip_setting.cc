#include "fit/belts/slip_setting.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <nlohmann/json.hpp>

#include "db/basis/units.h"
#include "fit/belts/comparison/belt_constants.h"
#include "fit/belts/steady_part.h"
#include "fit/readings/noise/noise.h"
#include "fit/readings/readings.h"

namespace loadline {
namespace {

using namespace belt_chosen;

constexpr std::size_t kOwnBandChecks = 3;

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

// Robust relative standard deviation about the medians of the pulley pairs that have enough checks
// for one, else about the common one.
double scatter_within(const std::map<std::string, std::vector<double>>& blocks, double middle) {
  std::vector<double> away;
  for (const auto& [block, values] : blocks) {
    const double centre = values.size() >= kOwnBandChecks ? median(values) : middle;
    for (const double value : values)
      away.push_back(value > 0 && centre > 0 ? std::log(value / centre) : value / centre - 1);
  }
  return robust_sd(away);
}

SlipBand band_about(const std::string& quantity, const std::string& unit, double middle,
                    double percent, std::size_t checks, const std::string& block, bool as_factor) {
  const double part = percent / 100, size = std::fabs(middle);
  const double below = as_factor ? size * part / (1 + part) : size * part;
  return {quantity, unit, middle, middle - below, middle + size * part, percent, checks, block};
}

SlipSetting setting_of_points(const Readings& readings) {
  using P = SteadyPoint;
  SlipSetting setting;
  setting.run = readings.run.id;
  const double to_rpm = rpm_from_rad_per_s(1);
  const PointMean creep = mean_of(readings.points, &P::motor, &P::motor_sd, &P::motor_digit_sd);
  const PointMean torque = mean_of(readings.points, &P::torque, &P::torque_sd, &P::torque_digit_sd);
  const PointMean hand =
      mean_of(readings.points, &P::handwheel, &P::handwheel_sd, &P::handwheel_digit_sd);
  if (creep.known()) setting.creep = about(creep.value * to_rpm, creep.sd * to_rpm, "rpm");
  if (torque.known()) setting.torque = about(torque.value, torque.sd, "N·m");
  const double creep_rpm = creep.known() ? creep.value * to_rpm : 0;
  if (!creep.known() && !torque.known())
    setting.fault = "holds neither motor speed nor torque";
  else if (creep.known() && !(creep_rpm > 0))
    setting.fault = "shows no slip: the motor stood still";
  else if (hand.known() &&
           hand.value * to_rpm > std::max(kTurningLeastRpm, kTurningShare * creep_rpm))
    setting.fault = "is none: the hand wheel turned";
  return setting;
}

}  // namespace

SlipSetting slip_setting(const Readings& readings) {
  if (readings.run.steady) return setting_of_points(readings);
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

std::vector<SlipBand> slip_bands(const std::string& quantity, const std::string& unit,
                                 std::span<const SlipValue> values, std::optional<double> percent) {
  std::vector<double> all;
  std::map<std::string, std::vector<double>> blocks;
  for (const SlipValue& value : values) {
    all.push_back(value.value);
    blocks[value.block].push_back(value.value);
  }
  const double middle = median(all);
  const double half = percent.value_or(std::clamp(
      100 * std::expm1(4 * scatter_within(blocks, middle)), kLeastBandPercent, kMostBandPercent));
  std::vector<SlipBand> bands{band_about(quantity, unit, middle, half, all.size(), "", !percent)};
  for (const auto& [block, found] : blocks) {
    const double own = median(found);
    if (found.size() >= kOwnBandChecks && std::fabs(own / middle - 1) > half / 200)
      bands.push_back(band_about(quantity, unit, own, half, found.size(), block, !percent));
  }
  return bands;
}

const SlipBand& band_for(std::span<const SlipBand> bands, const std::string& block) {
  for (const SlipBand& band : bands)
    if (!band.block.empty() && band.block == block) return band;
  return bands.front();
}

Json to_json(const SlipBand& band) {
  return Json{{"quantity", band.quantity}, {"unit", band.unit},  {"middle", band.middle},
              {"low", band.low},           {"high", band.high},  {"percent", band.percent},
              {"checks", band.checks},     {"block", band.block}};
}

Json to_json(const SlipSetting& setting) {
  Json out{{"run", setting.run}};
  out["creep_speed"] = setting.creep ? to_json(*setting.creep) : Json();
  out["torque"] = setting.torque ? to_json(*setting.torque) : Json();
  if (!setting.fault.empty()) out["fault"] = setting.fault;
  return out;
}

}  // namespace loadline
