#include "fit/report/pages/verdicts.h"

#include <fmt/format.h>

#include <algorithm>

#include "db/basis/error.h"

namespace loadline {
namespace {

// Only motors that the report is about; all of the book when it names none.
void keep_motors(Drawer& drawer, const Subjects& subjects) {
  if (subjects.motors.empty()) return;
  std::erase_if(drawer.candidates, [&](const Candidate& candidate) {
    const std::int64_t id = drawer.motors[candidate.motor].part.id;
    return std::none_of(subjects.motors.begin(), subjects.motors.end(),
                        [&](const Subject& motor) { return motor.part.id == id; });
  });
}

std::vector<std::string> missing_for(const Book& book, const Subjects& subjects,
                                     const Subject& machine) {
  std::vector<std::string> missing;
  if (!machine.curve)
    missing.push_back(
        fmt::format("the drag of {} is not known yet: record or import how it coasts "
                    "down, then fit it",
                    machine.part.name));
  const auto is_fitted = [](const Subject& motor) { return motor.curve.has_value(); };
  const std::vector<Part> motors = book.parts(PartKind::kMotor);
  const bool fitted =
      subjects.motors.empty()
          ? std::any_of(motors.begin(), motors.end(),
                        [&](const Part& motor) { return book.latest_curve(false, motor.id); })
          : std::any_of(subjects.motors.begin(), subjects.motors.end(), is_fitted);
  if (!fitted)
    missing.emplace_back(
        "no motor has a curve yet: record or import one against the brake, then fit it");
  if (book.parts(PartKind::kPulley).empty()) missing.emplace_back("no pulley is in the book yet");
  return missing;
}

Verdict verdict_for(const Book& book, const Subjects& subjects, const Subject& machine) {
  Verdict verdict;
  verdict.machine = &machine;
  verdict.missing = missing_for(book, subjects, machine);
  if (!verdict.missing.empty()) return verdict;
  try {
    Drawer drawer = read_drawer(book, machine.part);
    keep_motors(drawer, subjects);
    if (!drawer.candidates.empty()) verdict.choice = choose(drawer, {});
    verdict.drawer = std::move(drawer);
  } catch (const Error& error) {
    if (error.fault() == Fault::kBook) throw;
    verdict.missing.emplace_back(error.what());
  }
  return verdict;
}

}  // namespace

std::vector<Verdict> find_verdicts(const Book& book, const Subjects& subjects) {
  std::vector<Verdict> verdicts;
  for (const Subject& machine : subjects.machines)
    verdicts.push_back(verdict_for(book, subjects, machine));
  return verdicts;
}

std::optional<std::string> chosen_pulleys(const Verdict& verdict) {
  if (!verdict.chosen()) return std::nullopt;
  const Drawer& drawer = *verdict.drawer;
  const Mounting& mounting = drawer.mountings[verdict.choice.choices.front().candidate.mounting];
  return drawer.pulleys[mounting.motor_pulley].name + " / " +
         drawer.pulleys[mounting.hand_pulley].name;
}

}  // namespace loadline
