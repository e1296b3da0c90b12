#include "fit/verbs/drive_belt.h"

#include <fmt/format.h>

#include <cmath>
#include <map>
#include <utility>

#include "fit/belts/session.h"

namespace loadline {
namespace {

// One top-speed run with both tachometers, over its steady part.
struct Sighting {
  double motor_speed, quotient;
  std::optional<double> supply_v;
};

constexpr double kQuotientOfOneRun = 2e-4;  // two tachometers against each other, relative
constexpr double kSpeedOfOneRun = 2e-3;     // how a single run repeats, relative (a guess of ours)

struct PairOfPulleys {
  std::int64_t motor, hand;
  bool operator<(const PairOfPulleys& other) const {
    return std::pair(motor, hand) < std::pair(other.motor, other.hand);
  }
};

using Sightings = std::map<PairOfPulleys, std::vector<Sighting>>;

Sightings sightings_of(const Book& book, const Part& belt, const BeltSession& session) {
  Sightings found;
  if (session.at_motor) return found;
  for (const TopSpeed& top : session.runs) {
    if (top.belt != belt.name || !top.motor_speed) continue;
    const Run run = book.run(top.run);
    found[{run.motor_pulley, run.hand_pulley}].push_back(
        {*top.motor_speed, top.speed / *top.motor_speed, top.supply});
  }
  return found;
}

// Why the belt's own runs were left out, when they were.
std::string refusals(const Book& book, const Part& belt, const BeltSession& session) {
  std::string text;
  for (const RefusedRun& refused : session.refused)
    if (book.run(refused.run).belt == belt.id)
      text += fmt::format("; run {}: {}", refused.run, refused.reason);
  return text;
}

// Mean with the standard uncertainty of the mean; one run's scatter is taken from `relative`.
Uncertain mean_of(const std::vector<double>& values, double relative) {
  const auto n = static_cast<double>(values.size());
  double sum = 0, squares = 0;
  for (const double x : values) sum += x;
  const double mean = sum / n;
  for (const double x : values) squares += (x - mean) * (x - mean);
  if (values.size() < 2) return {mean, relative * mean};
  return {mean, std::sqrt(squares / (n - 1) / n), n - 1};
}

BeltSeen seen_in(const std::vector<Sighting>& sightings) {
  std::vector<double> speeds, quotients;
  double supply = 0;
  for (const Sighting& one : sightings) {
    speeds.push_back(one.motor_speed);
    quotients.push_back(one.quotient);
    supply += one.supply_v.value_or(std::nan("")) / static_cast<double>(sightings.size());
  }
  BeltSeen seen;
  seen.motor_speed = mean_of(speeds, kSpeedOfOneRun);
  seen.speed_quotient = mean_of(quotients, kQuotientOfOneRun);
  if (std::isfinite(supply)) seen.supply_v = supply;
  seen.with_loss = true;
  return seen;
}

PairOfPulleys pulleys_of(const Book& book, const DriveCase& drive) {
  const auto id = [&](const std::optional<std::string>& name) {
    return name ? book.get(PartKind::kPulley, *name).id : std::int64_t{0};
  };
  return {id(drive.motor_pulley), id(drive.hand_pulley)};
}

Uncertain ratio_of(const Book& book, const PairOfPulleys& pair, const Part& belt,
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
  const Sightings sightings = sightings_of(book, belt, session);
  const PairOfPulleys todays = pulleys_of(book, drive);
  auto chosen = sightings.find(todays);
  const bool same = chosen != sightings.end() && todays.motor && todays.hand;
  if (!same) {
    chosen = sightings.begin();
    while (chosen != sightings.end() && !(chosen->first.motor && chosen->first.hand)) ++chosen;
  }
  if (chosen == sightings.end()) {
    drive.warnings.push_back(fmt::format(
        "belt {} has no top-speed run of motor {} on machine {} with both tachometers and named "
        "pulleys that can be used{}; its slip and loss are taken as none. Record one with "
        "'loadline-logger record top-speed'.",
        belt.name, motor.name, machine.name, refusals(book, belt, session)));
    return;
  }
  BeltSeen seen = seen_in(chosen->second);
  if (!same) seen.ratio = ratio_of(book, chosen->first, belt, diameter_sd_m, drive.warnings);
  if (chosen->second.size() < 2)
    drive.warnings.push_back(fmt::format(
        "belt {} was seen in one run only: how far its slip and loss repeat is a guess.",
        belt.name));
  drive.question.belt_seen = seen;
}

}  // namespace loadline
