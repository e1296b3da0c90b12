#include "fit/verbs/drive_belt.h"

#include <fmt/format.h>

#include <cmath>
#include <map>

#include "fit/readings/readings.h"

namespace loadline {
namespace {

// One top-speed run with both tachometers, over the later part of it.
struct Sighting {
  double motor_speed, quotient;
  double supply_v;  // NaN when not known
};

constexpr double kRunUpPart = 0.4;          // of the run, left out
constexpr double kQuotientOfOneRun = 2e-4;  // two tachometers against each other, relative
constexpr double kSpeedOfOneRun = 2e-3;     // how a single run repeats, relative (a guess of ours)

double mean_speed(const SpeedTrace& trace, double from_s) {
  double turns = 0, time = 0;
  for (std::size_t i = 0; i < trace.speed.size(); ++i) {
    if (trace.start_s[i] < from_s) continue;
    turns += trace.speed[i] * trace.window_s(i);
    time += trace.window_s(i);
  }
  return time > 0 ? turns / time : 0;
}

std::optional<Sighting> see(const Book& book, const Run& run) {
  const Readings readings = load_readings(book, run.id);
  if (readings.motor.empty() || readings.handwheel.empty()) return std::nullopt;
  const double from = kRunUpPart * readings.duration_s;
  const double motor = mean_speed(readings.motor, from);
  const double wheel = mean_speed(readings.handwheel, from);
  if (!(motor > 0 && wheel > 0)) return std::nullopt;
  return Sighting{motor, wheel / motor, readings.mean_supply_v()};
}

struct PairOfPulleys {
  std::int64_t motor, hand;
  auto operator<=>(const PairOfPulleys&) const = default;
};

using Sightings = std::map<PairOfPulleys, std::vector<Sighting>>;

Sightings sightings_of(const Book& book, const Part& belt, const Part& motor, const Part& machine) {
  RunFilter filter;
  filter.kind = RunKind::kTopSpeed;
  filter.belt = belt.id;
  filter.machine = machine.id;
  filter.motor = motor.id;
  Sightings found;
  for (const Run& run : book.runs(filter))
    if (const auto sighting = see(book, run))
      found[{run.motor_pulley, run.hand_pulley}].push_back(*sighting);
  return found;
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
    supply += one.supply_v / static_cast<double>(sightings.size());
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

Uncertain ratio_of(const Book& book, const PairOfPulleys& pair, const Part& belt, double sd_m,
                   std::vector<std::string>& warnings) {
  const auto diameter = [&](std::int64_t id) {
    return effective_diameter(book.part(PartKind::kPulley, id), belt, sd_m, warnings);
  };
  const Uncertain small = diameter(pair.motor), large = diameter(pair.hand);
  const double ratio = large.value / small.value;
  return {ratio, ratio * std::hypot(small.sd / small.value, large.sd / large.value)};
}

}  // namespace

void put_belt(const Book& book, const Part& belt, const Part& motor, const Part& machine,
              double diameter_sd_m, DriveCase& drive) {
  const Sightings sightings = sightings_of(book, belt, motor, machine);
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
        "pulleys, so that its slip and loss are taken as none; record one with 'loadline-logger "
        "record top-speed'.",
        belt.name, motor.name, machine.name));
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
