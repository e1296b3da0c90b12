#include "fit/belts/belt_answer.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <cctype>
#include <set>

#include "db/basis/units.h"
#include "fit/belts/comparison/belt_constants.h"
#include "fit/belts/comparison/repeats.h"
#include "fit/belts/motor_view.h"

namespace loadline {
namespace {

using namespace belt_chosen;

std::optional<Curve> curve_of(const Book& book, bool of_machine, std::int64_t subject) {
  if (!subject) return std::nullopt;
  const auto stored = book.latest_curve(of_machine, subject);
  if (!stored) return std::nullopt;
  const Part part = book.part(of_machine ? PartKind::kMachine : PartKind::kMotor, subject);
  require_described(*stored, fmt::format("{} '{}'", of_machine ? "machine" : "motor", part.name));
  return Curve::from_stored(*stored);
}

// The session's one motor's curve; a session over several motors has no one curve to look at.
std::optional<Curve> motor_curve(const Book& book, const BeltSession& session) {
  return session.motors.size() == 1 ? curve_of(book, false, session.motors.front()) : std::nullopt;
}

std::optional<KnownEffect> supply_effect(const Book& book, const BeltSession& session,
                                         const Curve& motor, const Curve* drag) {
  double motor_speed = 0, ratio = 0, count = 0;
  for (const TopSpeed& run : session.runs) {
    if (!run.motor_speed) continue;
    motor_speed += *run.motor_speed;
    ratio += *run.motor_speed / run.speed;
    count += 1;
  }
  if (count == 0) return std::nullopt;
  return supply_effect_from_curve(
      motor, motor_speed / count, session.at_motor ? nullptr : drag, ratio / count,
      "the curve of motor " + book.part(PartKind::kMotor, session.motors.front()).name);
}

// Without a hand-wheel speed the compared speeds are the motor's; say so in the numbers.
void move_to_motor(BeltComparison& comparison) {
  comparison.at_motor = true;
  for (BeltResult& belt : comparison.belts) {
    belt.motor_speed = belt.top_speed;
    belt.top_speed = Estimate::unknown("rpm");
  }
}

void warn_of_unsteady(BeltComparison& comparison) {
  for (const TopSpeed& run : comparison.runs) {
    const double half = 100 * 1.96 * run.speed_sd / run.speed;
    if (half > kUnsteadyPercent)
      comparison.warnings.push_back(fmt::format(
          "run {} ({}) ran unsteadily: its top speed is known to ±{:.1f} % only; it is kept and "
          "widens the intervals, so repeat it when supply and bench are calm",
          run.run, run.belt, half));
  }
}

std::string why_not(const BeltSession& session, const BeltComparison& comparison,
                    const std::string& of_motor) {
  if (comparison.comparable()) return "";
  std::set<std::string> belts;
  for (const TopSpeed& run : session.runs) belts.insert(run.belt);
  const std::size_t refused = session.refused.size();
  if (session.runs.empty() && refused == 0)
    return fmt::format(
        "there is no top-speed run of this machine{}; record some with two belts or more.",
        of_motor);
  std::string reasons =
      refused == 0 ? ""
                   : fmt::format(" {} refused; run {}: {}.",
                                 refused == 1 ? "1 run was" : fmt::format("{} runs were", refused),
                                 session.refused.front().run, session.refused.front().reason);
  if (belts.size() < 2)
    return fmt::format(
        "{} remain{} to be compared, and it takes two.{} Record or repeat what is "
        "missing.",
        belts.empty() ? "no belts" : "only belt " + *belts.begin(), belts.empty() ? "" : "s",
        reasons);
  return "no two belts ran on the same pulleys on one evening; run two belts on one pair of "
         "pulleys, one after the other (if they did, put their dates right: 'loadline-db set run N "
         "--on "
         "2026-03-01')." +
         reasons;
}

std::string belt_table(const BeltComparison& comparison) {
  std::size_t widest = 4;
  for (const BeltResult& belt : comparison.belts) widest = std::max(widest, belt.name.size());
  std::string text = fmt::format("  {:<{}}  {:<38}{:<28}{:<7}{}\n", "belt", widest,
                                 comparison.at_motor ? "motor speed" : "top speed",
                                 "against the best", "group", "runs");
  for (const BeltResult& belt : comparison.belts) {
    const Estimate& speed = comparison.at_motor ? *belt.motor_speed : belt.top_speed;
    text +=
        fmt::format("  {:<{}}  {:<38}{:<28}{:<7}{}\n", belt.name, widest, to_text(speed),
                    &belt == &comparison.belts.front() ? "best" : to_text(belt.relative_percent),
                    belt.group.value_or("?"), belt.runs.size());
  }
  if (comparison.belts.size() > 1)
    text += "  (belts that share a letter under 'group' cannot be told apart)\n";
  for (const BeltResult& belt : comparison.belts)
    if (belt.extra_torque && &belt != &comparison.belts.front())
      text +=
          fmt::format("  {} costs {}, {} more than {}\n", belt.name, to_text(*belt.extra_torque),
                      to_text(*belt.extra_power), comparison.belts.front().name);
  return text;
}

std::string pair_lines(const BeltComparison& comparison) {
  std::string text = "Differences, with limits that hold for all pairs at once (95 %):\n";
  for (const BeltPair& pair : comparison.comparisons) {
    const Estimate& d = pair.difference_percent;
    const char* verdict = !d.low || !d.high      ? "no interval"
                          : *pair.p_value < 0.05 ? "real"
                                                 : "cannot be told apart";
    text += fmt::format("  {} over {}: {}: {}\n", pair.a, pair.b, to_text(d), verdict);
  }
  return text;
}

}  // namespace

BeltAnswer answer_belts(const Book& book, const Part& machine, const SessionOptions& options) {
  BeltAnswer answer;
  answer.machine = machine.name;
  answer.session = read_belt_session(book, machine.id, options);
  const auto motor = motor_curve(book, answer.session);
  const auto drag = curve_of(book, true, machine.id);
  const Curve* drag_or_none = drag ? &*drag : nullptr;
  CompareOptions compare;
  if (motor) compare.supply_effect = supply_effect(book, answer.session, *motor, drag_or_none);
  answer.comparison = compare_belts(answer.session.runs, compare);
  BeltComparison& comparison = answer.comparison;
  if (answer.session.at_motor) move_to_motor(comparison);
  if (motor) add_belt_costs(comparison, *motor, drag_or_none);
  comparison.refused = answer.session.refused;
  comparison.warnings.insert(comparison.warnings.begin(), answer.session.warnings.begin(),
                             answer.session.warnings.end());
  for (const SlipBand& band : answer.session.bands)
    comparison.notes.push_back(fmt::format(
        "{}{}: {} {} {} ± {:.0f} % ({} checks)",
        options.any_slip ? "slip settings seen, not asked to agree" : "same slip setting",
        band.block.empty() ? "" : " on " + band.block, band.quantity, significant(band.middle, 3),
        band.unit, band.percent, band.checks));
  warn_of_unsteady(comparison);
  const std::string of_motor =
      options.motor ? " with motor " + book.part(PartKind::kMotor, *options.motor).name : "";
  answer.why_not = why_not(answer.session, comparison, of_motor);
  return answer;
}

Json to_json(const BeltAnswer& answer) {
  Json out = to_json(answer.comparison);
  out["machine"] = answer.machine;
  out["slip_bands"] = Json::array();
  for (const SlipBand& band : answer.session.bands) out["slip_bands"].push_back(to_json(band));
  out["slip_checks"] = Json::array();
  for (const SlipSetting& setting : answer.session.settings)
    out["slip_checks"].push_back(to_json(setting));
  out["comparable"] = answer.why_not.empty();
  if (!answer.why_not.empty()) out["why_not"] = answer.why_not;
  out["repeats_needed"] = Json::object();
  const BeltComparison& comparison = answer.comparison;
  if (comparison.repeatability.value && comparison.belts.size() >= 2)
    for (const int percent : {1, 2, 5}) {
      const auto repeats = repeats_to_tell_apart(percent, *comparison.repeatability.value,
                                                 static_cast<int>(comparison.belts.size()),
                                                 static_cast<int>(comparison.blocks));
      out["repeats_needed"][fmt::format("{}%", percent)] = repeats ? Json(*repeats) : Json();
    }
  return out;
}

std::string to_text(const BeltAnswer& answer) {
  const BeltComparison& comparison = answer.comparison;
  std::string text;
  if (!comparison.belts.empty()) {
    text += fmt::format("Belts on {}: {} runs", answer.machine, comparison.runs.size());
    if (comparison.supply_v) text += fmt::format(" at {} V", significant(*comparison.supply_v, 4));
    text += "\n" + belt_table(comparison);
  }
  if (!comparison.comparisons.empty()) text += pair_lines(comparison);
  if (comparison.repeatability.value)
    text += fmt::format("From run to run a speed repeats within {} (standard deviation)\n",
                        to_text(comparison.repeatability));
  for (std::string note : comparison.notes) {
    note[0] = static_cast<char>(std::toupper(static_cast<unsigned char>(note[0])));
    text += note + "\n";
  }
  for (const RefusedRun& refused : comparison.refused)
    text += fmt::format("Refused: run {}: {}\n", refused.run, refused.reason);
  return text;
}

}  // namespace loadline
