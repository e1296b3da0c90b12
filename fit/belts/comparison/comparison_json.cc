#include <nlohmann/json.hpp>

#include "db/basis/units.h"
#include "fit/belts/comparison/comparison.h"

namespace loadline {
namespace {

Json belt_json(const BeltResult& belt) {
  Json out{{"name", belt.name},
           {"top_speed", to_json(belt.top_speed)},
           {"relative_percent", to_json(belt.relative_percent)},
           {"group", belt.group ? Json(*belt.group) : Json()},
           {"runs", belt.runs}};
  if (belt.motor_speed) out["motor_speed"] = to_json(*belt.motor_speed);
  if (belt.extra_torque) out["extra_torque"] = to_json(*belt.extra_torque);
  if (belt.extra_power) out["extra_power"] = to_json(*belt.extra_power);
  return out;
}

Json run_json(const TopSpeed& run) {
  const auto number = [](const std::optional<double>& x) { return x ? json_number(*x) : Json(); };
  const double to_rpm = rpm_from_rad_per_s(1);
  return Json{{"run", run.run},
              {"belt", run.belt},
              {"block", run.block},
              {"speed_rpm", json_number(run.speed * to_rpm)},
              {"speed_sd_rpm", json_number(run.speed_sd * to_rpm)},
              {"supply_v", number(run.supply)},
              {"motor_rpm", run.motor_speed ? json_number(*run.motor_speed * to_rpm) : Json()},
              {"steady_from_s", run.start_s},
              {"steady_to_s", run.end_s},
              {"turns", run.turns},
              {"change_percent", run.change_percent}};
}

}  // namespace

Json to_json(const BeltComparison& comparison) {
  Json out{{"belts", Json::array()},
           {"comparisons", Json::array()},
           {"refused", Json::array()},
           {"warnings", comparison.warnings},
           {"notes", comparison.notes}};
  for (const BeltResult& belt : comparison.belts) out["belts"].push_back(belt_json(belt));
  for (const BeltPair& pair : comparison.comparisons)
    out["comparisons"].push_back({{"a", pair.a},
                                  {"b", pair.b},
                                  {"difference_percent", to_json(pair.difference_percent)},
                                  {"p_value", pair.p_value ? json_number(*pair.p_value) : Json()}});
  for (const RefusedRun& refused : comparison.refused)
    out["refused"].push_back({{"run", refused.run}, {"reason", refused.reason}});
  out["repeatability"] = to_json(comparison.repeatability);
  out["degrees_of_freedom"] = json_number(comparison.degrees_of_freedom);
  out["supply_effect"] = to_json(comparison.supply_effect);
  out["setting_effect"] = to_json(comparison.setting_effect);
  out["drift"] = to_json(comparison.drift);
  out["supply_v"] = comparison.supply_v ? json_number(*comparison.supply_v) : Json();
  out["blocks"] = comparison.blocks;
  out["speed_at"] = comparison.at_motor ? "motor" : "handwheel";
  out["runs"] = Json::array();
  for (const TopSpeed& run : comparison.runs) out["runs"].push_back(run_json(run));
  return out;
}

}  // namespace loadline
