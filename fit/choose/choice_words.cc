#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <set>

#include "db/basis/text_table.h"
#include "fit/choose/choice_output.h"
#include "fit/choose/drawer/choice_constants.h"

namespace loadline {
namespace {

constexpr std::size_t kMostListed = 8, kMostReasons = 6;

// "99 %", never more than the draws can say.
std::string chance_words(double chance) {
  if (chance >= 0.995) return "over 99 %";
  if (chance > 0 && chance < 0.005) return "below 1 %";
  return fmt::format("{:.0f} %", 100 * chance);
}

bool one_hand(const Drawer& drawer) {
  std::set<std::size_t> hands;
  for (const Mounting& mounting : drawer.mountings) hands.insert(mounting.hand_pulley);
  return hands.size() == 1;
}

class Words {
 public:
  Words(const Drawer& drawer, const Aims& aims, const DrawerChoice& choice)
      : drawer_(drawer), aims_(aims), choice_(choice) {
    one_hand_ = one_hand(drawer);
    const bool stitches =
        drawer.machine.number("stroke-mm") || drawer.machine.number("stitches-per-turn");
    per_turn_ = drawer.machine.number("stitches-per-turn").value_or(1);
    unit_ = stitches ? "stitches a minute" : "turns a minute";
  }

  std::string all() {
    say(sentence());
    say(runner_up());
    list();
    fallen();
    left_out();
    next();
    text_.pop_back();
    return std::move(text_);
  }

  std::vector<std::string> paragraphs() {
    std::vector<std::string> result{sentence()};
    if (choice_.choices.empty()) return result;
    result.push_back(runner_up());
    result.push_back(belts_remark());
    result.push_back(evenings_remark());
    for (const std::string& line : next_lines()) result.push_back(line);
    std::erase(result, "");
    return result;
  }

 private:
  void say(const std::string& sentence, const std::string& indent = "") {
    if (!sentence.empty()) text_ += wrapped(sentence, indent) + "\n";
  }

  const Choice& first() const { return choice_.choices.front(); }

  bool asked() const {
    return aims_.least_rpm || aims_.most_motor_rpm || aims_.least_needle_n ||
           aims_.most_drop_percent;
  }

  // "motor Heron 70 with pulley motor 20 and belt notched".
  std::string with(const Candidate& candidate) const {
    const Mounting& mounting = drawer_.mountings[candidate.mounting];
    std::string words =
        fmt::format("motor {} with pulley {}", drawer_.motors[candidate.motor].part.name,
                    drawer_.pulleys[mounting.motor_pulley].name);
    if (!one_hand_) words += " on " + drawer_.pulleys[mounting.hand_pulley].name;
    if (mounting.belt) words += " and belt " + drawer_.belts[*mounting.belt].name;
    return words;
  }

  // Speeds of the hand wheel as a person counts them.
  std::string speed(const Estimate& rpm) const {
    if (!rpm.value) return "no steady speed";
    return whole_text(rpm.scaled(per_turn_, "")) + " " + unit_;
  }

  std::string sentence() const {
    if (choice_.choices.empty())
      return fmt::format("Nothing in the book fits {} and each other; what is left out, and why:",
                         drawer_.machine.name);
    const Prediction& best = first().prediction;
    if (choice_.met())
      return fmt::format(
          "Put {} on {}: {}, the motor at {} rpm. It {} with a chance of {}.{}",
          with(first().candidate), drawer_.machine.name, speed(best.handwheel_rpm),
          whole_text(*best.motor_rpm.value),
          asked() ? "meets what is asked" : "runs within the book's limits",
          chance_words(first().chance),
          best.settling == Settling::kNeedsPush ? " It may need a push to start." : "");
    if (choice_.nothing_will_do >= kSure)
      return fmt::format(
          "Nothing in the drawer meets what is asked of {}. The fastest that runs: "
          "{}; it {}.",
          drawer_.machine.name, with(first().candidate), misses(first(), 1));
    return fmt::format(
        "Nothing in the drawer is sure to meet what is asked of {}. The best chance, {}, has {}: "
        "{}. In the other cases it {}.",
        drawer_.machine.name, chance_words(first().chance), with(first().candidate),
        speed(best.handwheel_rpm), misses(first(), 1));
  }

  std::string runner_up() const {
    if (choice_.choices.size() < 2 || choice_.nothing_will_do >= kSure) return "";
    const Choice& second = choice_.choices[1];
    const std::string who = fmt::format("The runner-up, {},", with(second.candidate));
    const bool fit = second.chance >= kSure;
    const std::string but = fit ? ""
                                : fmt::format(", and meets what is asked with a chance of {} only",
                                              chance_words(second.chance));
    if (!choice_.lead || !choice_.lead->low) return who + " finds no steady speed.";
    const Estimate lead = choice_.lead->scaled(per_turn_, "");
    const double size = std::fabs(*lead.value);
    const char* side = *lead.value >= 0 ? "slower" : "faster";
    if (size < 0.5 && *lead.high - *lead.low < 1) return who + " is as fast" + but + ".";
    if ((*lead.low > 0) == (*lead.high > 0))
      return fmt::format("{} is {} a minute {} for certain{}.", who, whole_text(size), side, but);
    return fmt::format("{} may be as fast: {} a minute {}, give or take {}{}.", who,
                       whole_text(size), side, whole_text((*lead.high - *lead.low) / 2), but);
  }

  static const char* miss_words(Aim aim, bool many) {
    switch (aim) {
      case Aim::kStarts:
        return many ? "do not start by themselves" : "does not start by itself";
      case Aim::kLeastSpeed:
        return many ? "are too slow" : "is too slow";
      case Aim::kMotorSpeed:
        return many ? "turn the motor too fast" : "turns the motor too fast";
      case Aim::kWheelLimit:
        return many ? "are faster than the machine may be" : "is faster than the machine may be";
      case Aim::kNeedleForce:
        return many ? "press too little on the needle" : "presses too little on the needle";
      case Aim::kSlowDrop:
        return many ? "are not steady enough in slow stitching"
                    : "is not steady enough in slow stitching";
    }
    return "";
  }

  static std::string misses(const Choice& choice, std::size_t count) {
    const bool many = count > 1;
    if (choice.missed) return miss_words(*choice.missed, many);
    return many ? "find no steady speed" : "finds no steady speed";
  }

  void list() {
    if (choice_.choices.empty()) return;
    std::vector<std::vector<std::string>> rows{{"chance", unit_, "motor"}};
    const auto short_chance = [](double chance) {
      return chance >= 0.995 ? "> 99 %" : chance < 0.005 ? "< 1 %" : chance_words(chance);
    };
    if (aims_.least_needle_n) rows[0].emplace_back("needle");
    if (aims_.slow_spm) rows[0].emplace_back("slow drop");
    const std::size_t shown = shown_choices(choice_);
    bool beyond = false;
    for (std::size_t k = 0; k < shown; ++k) {
      const Choice& one = choice_.choices[k];
      const Prediction& p = one.prediction;
      std::vector<std::string>& row = rows.emplace_back();
      row.push_back(short_chance(one.chance));
      row.push_back(whole_text(p.handwheel_rpm.scaled(per_turn_, "")) +
                    (p.extrapolated ? " *" : ""));
      beyond = beyond || p.extrapolated;
      row.push_back(p.motor_rpm.value ? whole_text(*p.motor_rpm.value) + " rpm" : "");
      if (aims_.least_needle_n)
        row.push_back(p.needle_n.value ? whole_text(*p.needle_n.value) + " N" : "unknown");
      if (aims_.slow_spm)
        row.push_back(p.drop_percent.value ? whole_text(*p.drop_percent.value) + " %" : "stalls");
    }
    add_names(rows, shown);
    if (beyond) say("(* leans on a curve where nothing was measured)");
    say(belts_remark());
    say(evenings_remark());
  }

  // The parts' names behind the figures where they fit on the page, else below them.
  void add_names(const std::vector<std::vector<std::string>>& rows, std::size_t shown) {
    std::string lines = text_table(rows);
    std::size_t row = 0, wide = 0;
    for (std::size_t at = 0; at <= lines.size();) {
      const std::size_t end = std::min(lines.find('\n', at), lines.size());
      wide = std::max(wide, width_of(lines.substr(at, end - at)));
      at = end + 1;
    }
    for (std::size_t at = 0; at <= lines.size(); ++row) {
      const std::size_t end = std::min(lines.find('\n', at), lines.size());
      std::string line = "  " + lines.substr(at, end - at);
      at = end + 1;
      if (row > 0 && row <= shown) {
        const std::string name = brief_name(drawer_, choice_.choices[row - 1].candidate);
        const std::size_t gap = wide + 4 - width_of(line);
        if (width_of(line) + gap + width_of(name) <= kPageWidth)
          line += std::string(gap, ' ') + name;
        else
          line += "\n      " + name;
      }
      text_ += line + "\n";
    }
  }

  std::string belts_remark() const {
    if (drawer_.belts.empty())
      return "No belt is in the book: these speeds are without slip and without a belt's loss.";
    if (!drawer_.belts_measured)
      return "No belt was measured: these speeds are without slip and without a belt's loss, and "
             "the belts cannot be told apart.";
    const auto elsewhere = [&](const Choice& one) {
      if (!one.candidate.seen) return false;
      const BeltRuns& seen = drawer_.seen[*one.candidate.seen];
      const Mounting& mounting = drawer_.mountings[one.candidate.mounting];
      return seen.motor != drawer_.motors[one.candidate.motor].part.id ||
             seen.pulleys.motor != drawer_.pulleys[mounting.motor_pulley].id;
    };
    const bool any_elsewhere =
        std::any_of(choice_.choices.begin(), choice_.choices.end(), elsewhere);
    std::string remark =
        any_elsewhere ? "Every belt was measured; with another motor or pulley it is taken to "
                        "waste more the smaller the pulley, as is published, with doubt."
                      : "Every belt was measured.";
    const auto slips = [](const Choice& one) { return one.prediction.belt_slips_first; };
    if (std::any_of(choice_.choices.begin(), choice_.choices.end(), slips))
      remark += " The needle's force is what the belts carry before they slip, by their checks.";
    return remark;
  }

  std::string evenings_remark() const {
    if (drawer_.evenings()) return "";
    return "How other evenings differ from these runs is not known for all of it, and not in these "
           "chances.";
  }

  void fallen() {
    std::map<std::string, std::pair<std::size_t, const Choice*>> groups;
    std::size_t count = 0;
    for (const Choice& one : choice_.choices) {
      if (one.chance >= kSure) continue;
      auto& [number, example] = groups[misses(one, 2)];
      ++number;
      ++count;
      example = &one;
    }
    if (count == 0 || (count == 1 && !choice_.met())) return;
    std::string words;
    for (const auto& [reason, group] : groups)
      words += fmt::format("{}{} {}", words.empty() ? "" : ", ", group.first,
                           misses(*group.second, group.first));
    say(fmt::format("Of the {} that fit together {} not sure to meet what is asked: {}.",
                    choice_.choices.size(), count == 1 ? "1 is" : fmt::format("{} are", count),
                    words));
  }

  void left_out() {
    const std::vector<LeftOut>& all = drawer_.left_out;
    for (std::size_t k = 0; k < std::min(all.size(), kMostReasons); ++k) {
      const std::string& reason = all[k].reason;
      const bool ends = !reason.empty() && reason.back() == '.';
      say("Left out: " + reason + (ends ? "" : "."), "  ");
    }
    if (all.size() > kMostReasons)
      say(fmt::format("Left out besides: {} more; --json lists them.", all.size() - kMostReasons));
  }

  std::string run_words(const NextRun& run) const {
    switch (run.kind) {
      case RunKind::kTopSpeed:
        return "a top speed, with its slip check, of " + with(run.on);
      case RunKind::kCoastDown:
        return fmt::format("another pair of coast-downs of {}", drawer_.machine.name);
      case RunKind::kDriven:
        return fmt::format("another driven run of {}", drawer_.machine.name);
      default:
        return fmt::format("another {} run of motor {}", run_kind_name(run.kind),
                           drawer_.motors[run.on.motor].part.name);
    }
  }

  void next() {
    if (choice_.choices.empty()) return;
    for (const std::string& line : next_lines()) say(line, line[0] == '-' ? "  " : "");
  }

  std::vector<std::string> next_lines() const {
    const char* what = choice_.settled ? "the choice" : "that";
    if (choice_.enough() && drawer_.unmeasured())
      return {
          fmt::format("Enough for what was measured: another run of it would not change {}; "
                      "what was not may still be better.",
                      what)};
    if (choice_.enough()) return {fmt::format("Enough: another run would not change {}.", what)};
    if (choice_.next.empty())
      return {"It is not settled, and no single run is expected to settle it."};
    const bool settles = choice_.next.front().settles >= 0.05;
    std::vector<std::string> lines{fmt::format(
        "Not settled: the first is right with a chance of {}. {}hat would help most for its "
        "minutes:",
        chance_words(first().right), settles ? "W" : "No single run is expected to settle it; w")};
    for (const NextRun& run : choice_.next)
      lines.push_back(fmt::format("- {} ({:.0f} min): settles it with a chance of {}",
                                  run_words(run), run.minutes, chance_words(run.settles)));
    return lines;
  }

  const Drawer& drawer_;
  const Aims& aims_;
  const DrawerChoice& choice_;
  bool one_hand_ = false;
  double per_turn_ = 1;
  std::string unit_;  // of the hand wheel's speed
  std::string text_;
};

}  // namespace

std::string to_text(const Drawer& drawer, const Aims& aims, const DrawerChoice& choice) {
  return Words(drawer, aims, choice).all();
}

std::vector<std::string> verdict_of(const Drawer& drawer, const Aims& aims,
                                    const DrawerChoice& choice) {
  return Words(drawer, aims, choice).paragraphs();
}

std::string brief_name(const Drawer& drawer, const Candidate& candidate) {
  const Mounting& mounting = drawer.mountings[candidate.mounting];
  std::string words =
      drawer.motors[candidate.motor].part.name + ", " + drawer.pulleys[mounting.motor_pulley].name;
  if (!one_hand(drawer)) words += " : " + drawer.pulleys[mounting.hand_pulley].name;
  if (mounting.belt) words += ", " + drawer.belts[*mounting.belt].name;
  return words;
}

std::size_t shown_choices(const DrawerChoice& choice) {
  std::size_t shown = 0;
  for (const Choice& one : choice.choices) {
    if (shown == kMostListed || (shown > 0 && one.chance == 0)) break;
    ++shown;
  }
  return shown;
}

}  // namespace loadline
