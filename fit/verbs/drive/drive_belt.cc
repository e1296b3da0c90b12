#include "fit/verbs/drive/drive_belt.h"

#include <fmt/format.h>

#include <algorithm>

#include "fit/belts/session.h"
#include "fit/choose/drawer/belt_runs.h"
#include "fit/choose/drawer/diameters.h"
#include "fit/choose/drawer/stored_parts.h"

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

std::shared_ptr<const Curve> curve_or_none(const Book& book, std::int64_t motor) {
  try {
    return curve_for(book, book.part(PartKind::kMotor, motor));
  } catch (const Error& error) {
    if (error.fault() == Fault::kBook) throw;
    return nullptr;
  }
}

// Runs ready for the question; their other motor's curve goes into the case, which keeps it.
BeltSeen seen_for(const Book& book, const BeltRuns& runs, const Part& belt, const Part& motor,
                  const std::optional<double>& sd_m, DriveCase& drive) {
  BeltSeen seen = runs.seen;
  const Diameters found = effective_diameters(book.part(PartKind::kPulley, runs.pulleys.motor),
                                              book.part(PartKind::kPulley, runs.pulleys.hand), belt,
                                              sd_m, drive.warnings);
  seen.motor_pulley = KnownPulley{runs.pulleys.motor, found.motor};
  seen.hand_pulley = KnownPulley{runs.pulleys.hand, found.hand};
  if (runs.motor == motor.id) return seen;
  drive.belt_curves.push_back(runs.motor ? curve_or_none(book, runs.motor) : nullptr);
  seen.motor = drive.belt_curves.back().get();
  seen.with_loss = seen.motor != nullptr;
  return seen;
}

// Runs whose motor has no curve tell of slip alone: they serve where nothing else does.
double distance(const BeltRuns& runs, const BeltSeen& seen, const PulleyIds& todays,
                const DriveCase& drive, const Part& motor) {
  constexpr double kNoCurve = 10;
  const DriveQuestion& q = drive.question;
  const double asked =
      q.motor_diameter ? q.motor_diameter->value : seen.hand_pulley->diameter.value / q.ratio.value;
  return belt_distance(asked, seen.motor_pulley->diameter.value, runs.motor == motor.id,
                       runs.pulleys.hand == todays.hand) +
         (seen.with_loss ? 0 : kNoCurve);
}

void warn_of_transfer(const Book& book, const BeltRuns& runs, const PulleyIds& todays,
                      const Part& belt, const Part& motor, DriveCase& drive) {
  if (runs.sightings.size() < 2)
    drive.warnings.push_back(fmt::format(
        "belt {} was seen in one run only: how far its slip and loss repeat is a guess.",
        belt.name));
  if (runs.motor != motor.id)
    drive.warnings.push_back(fmt::format(
        "belt {} was measured with motor {}{}; with motor {} it is taken to lose what it would "
        "there, with more doubt.",
        belt.name, runs.motor ? book.part(PartKind::kMotor, runs.motor).name : "unknown",
        drive.question.belt_seen->with_loss
            ? ""
            : ", which has no curve, so that only its slip is known",
        motor.name));
  if (!todays.motor)
    drive.warnings.push_back(
        fmt::format("the ratio is taken to be made by another motor pulley against hand pulley {}, "
                    "where belt {} was measured.",
                    book.part(PartKind::kPulley, runs.pulleys.hand).name, belt.name));
}

}  // namespace

// Runs of one motor are judged by themselves, whatever others there are; 0 stands for all motors.
const BeltReader::Found& BeltReader::session(const Part& machine, std::int64_t motor) {
  const auto key = std::pair(machine.id, motor);
  if (const auto known = sessions_.find(key); known != sessions_.end()) return known->second;
  SessionOptions options;
  if (motor) options.motor = motor;
  options.any_slip = true;  // whatever the setting was, this is how the belt ran
  const BeltSession read = read_belt_session(book_, machine.id, options);
  return sessions_
      .emplace(key, Found{runs_of_belt(book_, belt_, read), refusals(book_, belt_, read)})
      .first->second;
}

const BeltReader::Found& BeltReader::runs_of(const Part& motor, const Part& machine) {
  const auto key = std::pair(machine.id, motor.id);
  if (const auto known = runs_.find(key); known != runs_.end()) return known->second;
  Found found = session(machine, motor.id);
  for (const BeltRuns& one : session(machine, 0).runs)
    if (one.motor != motor.id) found.runs.push_back(one);
  std::erase_if(found.runs,
                [](const BeltRuns& one) { return !one.pulleys.motor || !one.pulleys.hand; });
  return runs_.emplace(key, std::move(found)).first->second;
}

void BeltReader::put_belt(const Part& motor, const Part& machine,
                          const std::optional<double>& diameter_sd_m, DriveCase& drive) {
  const auto& [runs, refused] = runs_of(motor, machine);
  if (runs.empty()) {
    drive.warnings.push_back(fmt::format(
        "belt {} has no top-speed run on machine {} with both tachometers and named "
        "pulleys that can be used{}; its slip and loss are taken as none. Record one with "
        "'loadline-logger record top-speed'.",
        belt_.name, machine.name, refused));
    return;
  }
  const PulleyIds todays = pulleys_of(book_, drive);
  drive.question.motor_pulley = todays.motor;
  drive.question.hand_pulley = todays.hand;
  std::vector<BeltSeen> seen;
  std::vector<double> away;
  for (const BeltRuns& one : runs) {
    seen.push_back(seen_for(book_, one, belt_, motor, diameter_sd_m, drive));
    away.push_back(distance(one, seen.back(), todays, drive, motor));
  }
  const auto nearest =
      static_cast<std::size_t>(std::min_element(away.begin(), away.end()) - away.begin());
  drive.question.belt_seen = seen[nearest];
  for (std::size_t k = 0; k < seen.size(); ++k)
    if (k != nearest) drive.question.belt_elsewhere.push_back(seen[k]);
  warn_of_transfer(book_, runs[nearest], todays, belt_, motor, drive);
}

}  // namespace loadline
