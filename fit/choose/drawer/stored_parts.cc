#include "fit/choose/drawer/stored_parts.h"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

namespace loadline {
namespace {

double number_in(const Json& json, const char* key) {
  const auto found = json.find(key);
  return found != json.end() && found->is_number() ? found->get<double>() : 0;
}

// Sources of a motor's budget that are the same in every run against the brake.
bool lasting(const std::string& source) {
  return source == "slope" || source == "arm" || source == "equation";
}

// Takes from the stored budget what the rig's arm and calibration make of every torque, and which
// part of the peak power's variance another run would have afresh.
void take_budget(const Json& details, DrawerMotor& motor) {
  if (!details.is_object()) return;
  const auto budget = details.find("budget");
  const auto stall = details.find("stall_torque");
  if (budget == details.end() || !budget->is_array()) return;
  double afresh = 0, all = 0, scale = 0;
  for (const Json& line : *budget) {
    if (!line.is_object() || !line.contains("source") || !line["source"].is_string()) continue;
    const std::string source = line["source"].get<std::string>();
    if (source == "all together") continue;
    const double power = number_in(line, "peak_power_w");
    all += power * power;
    if (!lasting(source)) afresh += power * power;
    if (source == "slope" || source == "arm")
      scale += std::pow(number_in(line, "stall_torque_nm"), 2);
  }
  if (all > 0) motor.of_the_run = std::clamp(afresh / all, 0.0, 1.0);
  if (stall == details.end() || !stall->is_object()) return;
  const double torque = number_in(*stall, "value");
  if (torque > 0) motor.scale_sd = std::sqrt(scale) / torque;
}

}  // namespace

std::shared_ptr<const Curve> curve_for(const Book& book, const Part& part) {
  return std::make_shared<const Curve>(Curve::from_stored(described_curve(book, part)));
}

std::optional<Uncertain> inertia_of(const Book& book, const Part& machine) {
  if (const auto stored = book.latest_curve(true, machine.id)) {
    const Json details = Json::parse(stored->details_json, nullptr, false);
    const auto found = details.is_object() ? details.find("inertia") : details.end();
    if (details.is_object() && found != details.end() && found->is_object()) {
      const double value = number_in(*found, "value");
      const double low = number_in(*found, "low"), high = number_in(*found, "high");
      if (value > 0) return Uncertain{value, high > low ? (high - low) / (2 * 1.96) : 0};
    }
  }
  if (const auto said = machine.number("inertia-kgm2"))
    return Uncertain{*said, machine.number("inertia-sd-kgm2").value_or(0.02 * *said)};
  return std::nullopt;
}

DrawerMotor drawer_motor(const Book& book, const Part& part) {
  const StoredCurve stored = described_curve(book, part);
  DrawerMotor motor;
  motor.part = part;
  motor.curve = std::make_shared<const Curve>(Curve::from_stored(stored));
  motor.runs = std::max<std::size_t>(1, stored.runs.size());
  take_budget(Json::parse(stored.details_json, nullptr, false), motor);
  if (stored.runs.empty()) return motor;
  const Run last = book.run(stored.runs.back());
  motor.kind = last.kind;
  motor.rig = last.rig;
  return motor;
}

}  // namespace loadline
