#include "fit/verbs/drive_belt.h"

#include <fmt/format.h>

#include "fit/belts/session.h"
#include "fit/choose/belt_runs.h"

namespace loadline {
namespace {

std::vector<BeltRuns> runs_of_belt(const Book& book, const Part& belt, const BeltSession& session) {
  std::vector<BeltRuns> runs = belt_runs(book, session);
  std::erase_if(runs, [&](const BeltRuns& one) { return one.belt != belt.id; });
  return runs;
}

// Why the belt's own runs were left out, when they were.
std::string refusals(const Book& book, const Part& belt, const BeltSession& session) {
  std::string text;
  for (const RefusedRun& refused : session.refused)
    if (book.run(refused.run).belt == belt.id)
      text += fmt::format("; run {}: {}", refused.run, refused.reason);
  return text;
}

PulleyIds pulleys_of(const Book& book, const DriveCase& drive) {
  const auto id = [&](const std::optional<std::string>& name) {
    return name ? book.get(PartKind::kPulley, *name).id : std::int64_t{0};
  };
  return {id(drive.motor_pulley), id(drive.hand_pulley)};
}

Uncertain ratio_of(const Book& book, const PulleyIds& pair, const Part& belt,
                   const std::optional<double>& sd_m, std::vector<std::string>& warnings) {
  const Diameters found =
      effective_diameters(book.part(PartKind::kPulley, pair.motor),
                          book.part(PartKind::kPulley, pair.hand), belt, sd_m, warnings);
  return {found.ratio(), found.ratio_sd()};
}

}  // namespace

void put_belt(const Book& book, const Part& belt, const Part& motor, const Part& machine,
              const std::optional<double>& diameter_sd_m, DriveCase& drive) {
  SessionOptions options;
  options.motor = motor.id;
  options.any_slip = true;  // whatever the setting was, this is how the belt ran
  const BeltSession session = read_belt_session(book, machine.id, options);
  const std::vector<BeltRuns> seen_on = runs_of_belt(book, belt, session);
  const PulleyIds todays = pulleys_of(book, drive);
  const BeltRuns* chosen = nullptr;
  for (const BeltRuns& one : seen_on) {
    if (!one.pulleys.motor || !one.pulleys.hand) continue;
    if (!chosen || one.pulleys == todays) chosen = &one;
  }
  if (!chosen) {
    drive.warnings.push_back(fmt::format(
        "belt {} has no top-speed run of motor {} on machine {} with both tachometers and named "
        "pulleys that can be used{}; its slip and loss are taken as none. Record one with "
        "'loadline-logger record top-speed'.",
        belt.name, motor.name, machine.name, refusals(book, belt, session)));
    return;
  }
  BeltSeen seen = chosen->seen;
  if (chosen->pulleys != todays)
    seen.ratio = ratio_of(book, chosen->pulleys, belt, diameter_sd_m, drive.warnings);
  if (chosen->sightings.size() < 2)
    drive.warnings.push_back(fmt::format(
        "belt {} was seen in one run only: how far its slip and loss repeat is a guess.",
        belt.name));
  drive.question.belt_seen = seen;
}

}  // namespace loadline
