#include <nlohmann/json.hpp>

#include "fit/choose/choice_output.h"

namespace loadline {
namespace {

const char* aim_key(Aim aim) {
  switch (aim) {
    case Aim::kStarts:
      return "starts";
    case Aim::kLeastSpeed:
      return "least_rpm";
    case Aim::kMotorSpeed:
      return "most_motor_rpm";
    case Aim::kWheelLimit:
      return "machine_max_rpm";
    case Aim::kNeedleForce:
      return "least_needle_n";
    case Aim::kSlowDrop:
      return "most_drop_percent";
  }
  return "";
}

// Shares of some thousand draws have no more digits than these.
double rounded(double share) { return std::round(share * 1000) / 1000; }

Json number_or_null(const std::optional<double>& number) { return number ? Json(*number) : Json(); }

Json aims_json(const Aims& aims) {
  return {{"least_rpm", number_or_null(aims.least_rpm)},
          {"most_motor_rpm", number_or_null(aims.most_motor_rpm)},
          {"least_needle_n", number_or_null(aims.least_needle_n)},
          {"slow_spm", number_or_null(aims.slow_spm)},
          {"most_drop_percent", number_or_null(aims.most_drop_percent)},
          {"extra_nm", number_or_null(aims.extra_nm)},
          {"supply_v", number_or_null(aims.supply_v)}};
}

Json subjects_json(const Drawer& drawer, const Candidate& candidate) {
  Json json;
  for (const auto& [key, name] : parts_of(drawer, candidate)) json[key] = name;
  if (!json.contains("belt")) json["belt"] = nullptr;
  return json;
}

// "here", "other pulleys", "other motor"; null without a measured belt.
Json belt_seen_json(const Drawer& drawer, const Candidate& candidate) {
  if (!candidate.seen) return nullptr;
  const BeltRuns& seen = drawer.seen[*candidate.seen];
  const Mounting& mounting = drawer.mountings[candidate.mounting];
  if (seen.motor != drawer.motors[candidate.motor].part.id) return "other motor";
  const PulleyIds pulleys{drawer.pulleys[mounting.motor_pulley].id,
                          drawer.pulleys[mounting.hand_pulley].id};
  return seen.pulleys == pulleys ? "here" : "other pulleys";
}

Json choice_json(const Drawer& drawer, const Aims& aims, const Choice& choice) {
  Json json = subjects_json(drawer, choice.candidate);
  const Prediction& prediction = choice.prediction;
  json["chance"] = rounded(choice.chance);
  json["right"] = rounded(choice.right);
  json["handwheel_speed"] = to_json(prediction.handwheel_rpm);
  json["motor_speed"] = to_json(prediction.motor_rpm);
  json["needle_force"] = to_json(prediction.needle_n);
  json["slow_drop_percent"] = to_json(prediction.drop_percent);
  if (aims.extra_nm) json["loaded_handwheel_speed"] = to_json(prediction.loaded_rpm);
  json["belt_slips_first"] = prediction.belt_slips_first;
  json["belt_measured"] = choice.candidate.seen.has_value();
  json["belt_seen"] = belt_seen_json(drawer, choice.candidate);
  json["extrapolated"] = prediction.extrapolated;
  json["needs_push"] = prediction.settling == Settling::kNeedsPush;
  json["misses"] = choice.missed ? Json(aim_key(*choice.missed)) : Json();
  return json;
}

Json next_json(const Drawer& drawer, const NextRun& run) {
  Json json{{"kind", run_kind_name(run.kind)}};
  const bool machine_alone = run.kind == RunKind::kCoastDown;
  for (const auto& [key, name] : parts_of(drawer, run.on))
    if (run.kind == RunKind::kTopSpeed || (key == "motor" && !machine_alone)) json[key] = name;
  if (run.kind != RunKind::kBrake && run.kind != RunKind::kSpinUp)
    json["machine"] = drawer.machine.name;
  json["minutes"] = run.minutes;
  json["settles"] = rounded(run.settles);
  json["gain"] = rounded(run.gain);
  return json;
}

}  // namespace

std::vector<std::pair<std::string, std::string>> parts_of(const Drawer& drawer,
                                                          const Candidate& candidate) {
  const Mounting& mounting = drawer.mountings[candidate.mounting];
  std::vector<std::pair<std::string, std::string>> parts{
      {"motor", drawer.motors[candidate.motor].part.name},
      {"motor_pulley", drawer.pulleys[mounting.motor_pulley].name},
      {"hand_pulley", drawer.pulleys[mounting.hand_pulley].name}};
  if (mounting.belt) parts.emplace_back("belt", drawer.belts[*mounting.belt].name);
  return parts;
}

Json to_json(const Drawer& drawer, const Aims& aims, const DrawerChoice& choice) {
  Json json{{"machine", drawer.machine.name},
            {"aims", aims_json(aims)},
            {"settled", choice.settled},
            {"enough", choice.enough()},
            {"belts_measured", drawer.belts_measured},
            {"another_evening", drawer.evenings()},
            {"nothing_will_do", rounded(choice.nothing_will_do)},
            {"lead", choice.lead ? to_json(*choice.lead) : Json()}};
  json["choices"] = Json::array();
  for (const Choice& one : choice.choices)
    json["choices"].push_back(choice_json(drawer, aims, one));
  json["next"] = Json::array();
  for (const NextRun& run : choice.next) json["next"].push_back(next_json(drawer, run));
  json["left_out"] = Json::array();
  for (const LeftOut& one : drawer.left_out) {
    Json parts;
    for (const auto& [key, name] : one.parts) parts[key] = name;
    parts["reason"] = one.reason;
    parts["unmeasured"] = one.unmeasured;
    json["left_out"].push_back(std::move(parts));
  }
  json["draws"] = {{"number", choice.draws}, {"seed", choice.seed}};
  json["warnings"] = drawer.warnings;
  for (const std::string& warning : choice.warnings) json["warnings"].push_back(warning);
  return json;
}

}  // namespace loadline
