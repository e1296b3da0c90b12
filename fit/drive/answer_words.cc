// A drive answer as it is printed: the contract's JSON, and a table for people.
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>

#include "db/basis/text_table.h"
#include "db/basis/units.h"
#include "fit/drive/answer.h"
#include "fit/drive/load_lines/drive_constants.h"

namespace loadline {
namespace {

using namespace drive_chosen;

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
    case SlowRunning::kNotAnswered:
      return "not-answered";
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

Json slow_json(const DriveAnswer& answer) {
  const auto share = [](const std::optional<double>& x) { return x ? Json(*x) : Json(); };
  Json json;
  for (const PedalFigures& pedal : kPedalFigures) {
    if (pedal.pedal == Pedal::kMarks && answer.slow[pedal.pedal] == SlowRunning::kNoModel) continue;
    json[pedal.key] = slow_word(answer.slow[pedal.pedal]);
    json[std::string(pedal.key) + "_stall_share"] = share(answer.stalls[pedal.pedal]);
  }
  return json;
}

Json crossings_json(const DriveAnswer& answer) {
  Json list = Json::array();
  for (const Crossing& crossing : answer.crossings)
    list.push_back({{"motor_speed_rpm", rpm_from_rad_per_s(crossing.motor_speed)},
                    {"stable", crossing.stable}});
  return list;
}

// A figure's words and its number, the number below where the two are too wide for a line.
std::string line_text(const AnswerLine& line) {
  constexpr std::size_t kWords = 44;
  const Estimate& e = line.estimate;
  const bool exact = e.value && e.low && e.high && *e.low == *e.high;
  const std::string unit = line.figure == Figure::kStitchRate ? "" : e.unit;
  const std::string number =
      exact ? to_text(Estimate::exact(*e.value, unit)) : to_text(e.scaled(1, unit));
  const std::string words = info(line.figure).words;
  std::string text = "  " + words;
  const std::size_t wide = std::max(width_of(words), kWords);
  if (wide + 3 + width_of(number) <= kPageWidth)
    text += std::string(wide - width_of(words) + 1, ' ') + number + "\n";
  else
    text += "\n      " + number + "\n";
  if (!line.extrapolated.empty()) text += "      [extrapolated: " + line.extrapolated + "]\n";
  return text;
}

// What a question asked for by an option, beside the three figures that decide.
bool was_asked(Figure figure) {
  switch (figure) {
    case Figure::kLoadedHandwheelSpeed:
    case Figure::kLoadedMotorSpeed:
    case Figure::kSpeedLoss:
    case Figure::kWantedLowRatio:
    case Figure::kWantedHighRatio:
    case Figure::kPedalResistance:
    case Figure::kResistanceDrop:
    case Figure::kResistanceStallTorque:
    case Figure::kResistanceLeastSpeed:
    case Figure::kPedalVoltage:
    case Figure::kVoltageDrop:
    case Figure::kVoltageStallTorque:
    case Figure::kVoltageLeastSpeed:
    case Figure::kPedalMark:
    case Figure::kMarkDrop:
    case Figure::kMarkStallTorque:
    case Figure::kMarkLeastSpeed:
    case Figure::kSeenDifference:
    case Figure::kSeenDragScale:
    case Figure::kSeenBeltLoss:
    case Figure::kSeenSlip:
      return true;
    default:
      return false;
  }
}

bool decides(Figure figure) {
  return figure == Figure::kHandwheelSpeed || figure == Figure::kMotorSpeed ||
         figure == Figure::kNeedleForce || figure == Figure::kStandstillTorque;
}

std::string beyond_mark(const AnswerLine& line) { return line.extrapolated.empty() ? "" : " *"; }

// "1,427 (1,420 to 1,434) stitches a minute"; turns of the hand wheel where nothing is sewn.
std::string top_speed_words(const DriveAnswer& answer) {
  const AnswerLine* force = answer.find(Figure::kNeedleForce);
  const AnswerLine* speed = answer.find(force ? Figure::kStitchRate : Figure::kHandwheelSpeed);
  return whole_text(speed->estimate) +
         (force ? " stitches a minute" : " turns of the hand wheel a minute") + beyond_mark(*speed);
}

// The motor's speed against its limit, as the interval allows to say.
std::string limit_words(const DriveAnswer& answer) {
  const AnswerLine* share = answer.find(Figure::kLimitShare);
  if (!share) return "";
  const Estimate& e = share->estimate;
  if (e.low && *e.low > 100) return "The motor turns faster than it may.";
  if (*e.value > 100) return "The motor probably turns faster than it may.";
  if (e.high && *e.high > 100) return "The motor may turn faster than it may.";
  if (*e.value > 90) return "The motor comes within a tenth of its limit.";
  return "The motor stays within its limit.";
}

std::string best_words(const DriveAnswer& answer) {
  const AnswerLine* ratio = answer.find(Figure::kLimitedBestRatio);
  const AnswerLine* speed = answer.find(Figure::kLimitedBestHandwheelSpeed);
  if (!ratio) ratio = answer.find(Figure::kBestRatio);
  if (!speed) speed = answer.find(Figure::kBestHandwheelSpeed);
  const AnswerLine* today = answer.find(Figure::kHandwheelSpeed);
  if (!ratio || !speed || !today) return "";
  const double gain = 100 * (*speed->estimate.value / *today->estimate.value - 1);
  if (gain < -kWorthwhile) return "";
  if (gain < kWorthwhile) return "No other ratio is faster by more than 2 %.";
  return fmt::format("It would be fastest at a ratio of {}, by {:.0f} %{}.",
                     significant(*ratio->estimate.value, 3), gain, beyond_mark(*ratio));
}

std::string verdict(const DriveAnswer& answer) {
  std::string words = answer.settling == Settling::kNeedsPush ? "It needs a push to start. " : "";
  for (const std::string& sentence : {limit_words(answer), best_words(answer)})
    if (!sentence.empty()) words += sentence + " ";
  if (!words.empty()) words.pop_back();
  return words;
}

std::string three_figures(const DriveAnswer& answer) {
  std::vector<std::vector<std::string>> rows;
  rows.push_back({"  top speed", top_speed_words(answer)});
  const AnswerLine* motor = answer.find(Figure::kMotorSpeed);
  rows.push_back({"  motor", whole_text(motor->estimate) + " rpm" + beyond_mark(*motor)});
  if (const AnswerLine* share = answer.find(Figure::kLimitShare))
    rows.back()[1] += fmt::format(", {:.0f} % of its limit", *share->estimate.value);
  if (const AnswerLine* force = answer.find(Figure::kNeedleForce))
    rows.push_back({"  needle", whole_text(force->estimate) + " N at mid-stroke, from standstill" +
                                    beyond_mark(*force)});
  else if (const AnswerLine* torque = answer.find(Figure::kStandstillTorque))
    rows.push_back(
        {"  standstill", to_text(torque->estimate) + " at the hand wheel" + beyond_mark(*torque)});
  return text_table(rows) + "\n";
}

std::string headline(const DriveAnswer& answer) {
  const AnswerLine* ratio = answer.find(Figure::kRatio);
  return fmt::format("Motor {} on machine {}{}", answer.motor, answer.machine,
                     ratio ? " at ratio " + significant(*ratio->estimate.value, 3) : "");
}

std::string where_from(const DriveAnswer& answer) {
  if (answer.draws)
    return fmt::format("Intervals (95 %) from {} draws, seed {}", *answer.draws, answer.seed);
  return "Intervals (95 %) to first order from both curves, the ratio and the belt";
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
  if (answer.slow_asked) json["slow_running"] = slow_json(answer);
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
  std::string text = wrapped(headline(answer) + ":") + "\n";
  if (!answer.runs()) {
    text = wrapped(headline(answer) + ": no steady speed.") + "\n";
  } else {
    text += three_figures(answer);
    if (const std::string words = verdict(answer); !words.empty()) text += wrapped(words) + "\n";
  }
  bool beyond = false;
  const auto add = [&](const std::vector<AnswerLine>& lines, bool (*shown)(Figure)) {
    for (const AnswerLine& line : lines)
      if (shown(line.figure)) text += line_text(line);
  };
  add(answer.lines, was_asked);
  if (answer.what_if) {
    text += "What if:\n";
    add(answer.what_if->lines, decides);
    text += "Change against today:\n";
    add(answer.what_if->changes, decides);
  }
  for (const AnswerLine& line : answer.lines)
    beyond = beyond || (decides(line.figure) && !line.extrapolated.empty());
  if (beyond) text += "(* leans on a curve where nothing was measured)\n";
  return text + wrapped(where_from(answer) + ". All figures: --details.");
}

std::string details_text(const DriveAnswer& answer) {
  std::string text = wrapped(headline(answer)) + "\n";
  for (const AnswerLine& line : answer.lines) text += line_text(line);
  if (answer.what_if) {
    text += "What if:\n";
    for (const AnswerLine& line : answer.what_if->lines) text += line_text(line);
    text += "Change against today:\n";
    for (const AnswerLine& line : answer.what_if->changes) text += line_text(line);
  }
  return text + where_from(answer);
}

}  // namespace loadline
