#include "db/care/evening_words.h"

#include <fmt/format.h>

#include <filesystem>
#include <map>

#include "db/basis/command_line.h"
#include "db/basis/shell_word.h"
#include "db/basis/text_table.h"

namespace loadline {
namespace {

using Rows = std::vector<std::vector<std::string>>;

/// "next: coast-down", or that all is there.
std::string standing(const Evening& evening, Question question, const Part& part) {
  static const std::map<std::string, std::string> kWords = {
      {"rig", "the rig is to be entered"},
      {"calibration", "the load cell is to be calibrated"},
      {"brake", "a brake run (or spin-up) is to be recorded"},
      {"coast-down", "a coast-down is to be recorded"},
      {"disc", "a coast-down with a known disc is to be recorded"},
      {"motor-curve", "its curve is to be fitted"},
      {"drag-curve", "its drag is to be fitted"},
  };
  const auto steps = evening.steps_to(question, &part);
  const EveningStep* next = next_step(steps);
  if (!next) return "fitted from all its runs";
  const auto words = kWords.find(next->what);
  return words == kWords.end() ? next->what : words->second;
}

/// The first step that is missing for the first machine that is not done, else for a motor.
std::string next_command(const Book& book, const Evening& evening) {
  const std::vector<Part> machines = book.parts(PartKind::kMachine);
  const std::vector<Part> motors = book.parts(PartKind::kMotor);
  for (const Part& machine : machines) {
    const auto steps = evening.steps_to(Question::kChoice, &machine);
    if (const EveningStep* next = next_step(steps)) return command_for(*next);
  }
  if (!machines.empty())
    return "loadline-fit choose --machine " + shell_word(machines.front().name);
  for (const Part& motor : motors) {
    const auto steps = evening.steps_to(Question::kMotor, &motor);
    if (const EveningStep* next = next_step(steps)) return command_for(*next);
  }
  const bool rigless = book.parts(PartKind::kRig).empty();
  return command_for({rigless ? "rig" : motors.empty() ? "motor" : "machine", "", false});
}

}  // namespace

std::string command_for(const EveningStep& step) {
  const std::string name = step.subject.empty() ? "NAME" : shell_word(step.subject);
  if (step.what == "rig") return "loadline-db add rig NAME --arm-mm MM --cell brake";
  if (step.what == "calibration") return "loadline-logger calibrate --port PATH";
  if (step.what == "motor") return "loadline-db add motor NAME --type series --max-rpm N";
  if (step.what == "machine") return "loadline-db add machine NAME --stroke-mm MM";
  if (step.what == "pulleys") return "loadline-db add pulley NAME --role motor|hand --pitch-mm MM";
  if (step.what == "belts") return "loadline-db add belt NAME --section v --width-mm MM";
  if (step.what == "brake") return "loadline-logger record brake --motor " + name + " --port PATH";
  if (step.what == "coast-down")
    return "loadline-logger record coast-down --machine " + name + " --port PATH";
  if (step.what == "disc")
    return "loadline-logger record coast-down --machine " + name +
           " --added-inertia-kgm2 D --port PATH";
  if (step.what == "top-speed")
    return "loadline-logger plan belts evening --machine " + name + " --belt A --belt B";
  return (step.what == "motor-curve" ? "loadline-fit motor " : "loadline-fit drag ") + name;
}

std::string evening_words(const Book& book) {
  const Evening evening(book);
  Rows rows;
  for (const Part& rig : book.parts(PartKind::kRig)) {
    const auto calibration = book.latest_calibration(rig.id);
    rows.push_back(
        {"  rig", rig.name,
         calibration ? "calibrated " + calibration->made_utc.substr(0, 10) : "not calibrated yet"});
  }
  for (const Part& motor : book.parts(PartKind::kMotor))
    rows.push_back({"  motor", motor.name, standing(evening, Question::kMotor, motor)});
  for (const Part& machine : book.parts(PartKind::kMachine))
    rows.push_back({"  machine", machine.name, standing(evening, Question::kMachine, machine)});
  std::string text =
      fmt::format("{}: {} runs, {} pulleys, {} belts", book.path(), book.runs().size(),
                  book.parts(PartKind::kPulley).size(), book.parts(PartKind::kBelt).size());
  if (!rows.empty()) text += "\n" + text_table(rows);
  return text + "\nNext: " + next_command(book, evening);
}

std::string evening_of_book(const std::string& path) {
  std::error_code failed;
  if (!std::filesystem::exists(path, failed)) return {};
  return evening_words(Book::open(path, Book::Mode::kRead));
}

}  // namespace loadline
