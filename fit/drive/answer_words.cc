// A drive answer as it is printed: the contract's JSON, and a table for people.
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "db/basis/units.h"
#include "fit/drive/answer.h"

namespace loadline {
namespace {

const char* settling_word(Settling settling) {
  switch (settling) {
    case Settling::kRuns:
      return "runs";
    case Settling::kNeedsPush:
      return "needs-push";
    case Settling::kTooWeak:
      return "too-weak";
    case Settling::kStillPulling:
      return "still-pulling";
  }
  return "";
}

const char* slow_word(SlowRunning running) {
  switch (running) {
    case SlowRunning::kSteady:
      return "steady";
    case SlowRunning::kStalls:
      return "stalls";
    case SlowRunning::kUnsteady:
      return "unsteady";
    case SlowRunning::kTooSlow:
      return "too-slow";
    case SlowRunning::kNoModel:
      return "unknown";
  }
  return "";
}

Json line_json(const AnswerLine& line) {
  Json json = to_json(line.estimate);
  if (!line.extrapolated.empty()) json["extrapolated"] = line.extrapolated;
  return json;
}

void put_lines(Json& json, const std::vector<AnswerLine>& lines) {
  for (const AnswerLine& line : lines) json[info(line.figure).key] = line_json(line);
}

// The contract promises these keys whatever could be calculated.
void put_unknown_contract_keys(Json& json) {
  for (const Figure figure :
       {Figure::kRatio, Figure::kMotorSpeed, Figure::kHandwheelSpeed, Figure::kShaftPower,
        Figure::kStandstillTorque, Figure::kBestRatio, Figure::kBestHandwheelSpeed})
    if (!json.contains(info(figure).key))
      json[info(figure).key] = to_json(Estimate::unknown(info(figure).unit));
}

Json crossings_json(const DriveAnswer& answer) {
  Json list = Json::array();
  for (const Crossing& crossing : answer.crossings)
    list.push_back({{"motor_speed_rpm", rpm_from_rad_per_s(crossing.motor_speed)},
                    {"stable", crossing.stable}});
  return list;
}

std::string line_text(const char* words, const AnswerLine& line) {
  const Estimate& e = line.estimate;
  const bool exact = e.value && e.low && e.high && *e.low == *e.high;
  const std::string number = exact ? to_text(Estimate::exact(*e.value, e.unit)) : to_text(e);
  return fmt::format(
      "  {:<48} {}{}\n", words, number,
      line.extrapolated.empty() ? "" : "  [extrapolated: " + line.extrapolated + "]");
}

}  // namespace

Json to_json(const DriveAnswer& answer) {
  Json json;
  json["motor"] = answer.motor;
  json["machine"] = answer.machine;
  put_lines(json, answer.lines);
  put_unknown_contract_keys(json);
  json["settling"] = settling_word(answer.settling);
  json["crossings"] = crossings_json(answer);
  json["extrapolated"] = answer.extrapolated;
  if (answer.slow_asked)
    json["slow_running"] = {{"resistance", slow_word(answer.with_resistance)},
                            {"voltage", slow_word(answer.with_voltage)}};
  if (answer.what_if) {
    put_lines(json["what_if"], answer.what_if->lines);
    json["what_if"]["settling"] = settling_word(answer.what_if->settling);
    json["what_if"]["change"] = Json::object();
    put_lines(json["what_if"]["change"], answer.what_if->changes);
  }
  json["top_speed_budget"] = Json::array();
  for (const Sources::Share& share : answer.top_speed_budget)
    json["top_speed_budget"].push_back({{"source", share.source}, {"sd_rpm", share.sd}});
  json["intervals"] = answer.draws ? "draws" : "first-order";
  if (answer.draws)
    json["draws"] = {{"number", *answer.draws},
                     {"seed", answer.seed},
                     {"without_operating_point", answer.draws_without_point}};
  json["warnings"] = answer.warnings;
  return json;
}

std::string to_text(const DriveAnswer& answer) {
  std::string text = fmt::format("Motor {} on machine {}\n", answer.motor, answer.machine);
  for (const AnswerLine& line : answer.lines) text += line_text(info(line.figure).words, line);
  if (answer.what_if) {
    text += "What if:\n";
    for (const AnswerLine& line : answer.what_if->lines)
      text += line_text(info(line.figure).words, line);
    text += "Change against today:\n";
    for (const AnswerLine& line : answer.what_if->changes)
      text += line_text(info(line.figure).words, line);
  }
  if (answer.draws)
    text += fmt::format("Intervals (95 %) from {} draws, seed {}", *answer.draws, answer.seed);
  else
    text += "Intervals (95 %) to first order from both curves, the ratio and the belt";
  return text;
}

}  // namespace loadline
