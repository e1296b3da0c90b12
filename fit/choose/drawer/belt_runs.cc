#include "fit/choose/drawer/belt_runs.h"

#include <cmath>
#include <map>
#include <tuple>

#include "db/basis/units.h"
#include "fit/belts/motor_view.h"
#include "fit/belts/session.h"
#include "fit/choose/drawer/choice_constants.h"

namespace loadline {
namespace {

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

BeltSeen seen_in(const std::vector<BeltSighting>& sightings) {
  std::vector<double> speeds, quotients;
  double supply = 0;
  for (const BeltSighting& one : sightings) {
    speeds.push_back(one.motor_speed);
    quotients.push_back(one.quotient);
    supply += one.supply_v.value_or(std::nan("")) / static_cast<double>(sightings.size());
  }
  BeltSeen seen;
  std::vector<double> creeps;
  for (const BeltSighting& one : sightings)
    if (one.creep_speed) creeps.push_back(*one.creep_speed);
  if (!creeps.empty()) seen.creep_speed = mean_of(creeps, kCreepOfOneCheck);
  seen.motor_speed = mean_of(speeds, kSpeedOfOneRun);
  seen.speed_quotient = mean_of(quotients, kQuotientOfOneRun);
  if (std::isfinite(supply)) seen.supply_v = supply;
  seen.with_loss = true;
  return seen;
}

// rad/s of the motor while the belt slipped in the check that a run leans on.
std::optional<double> creep_in(const BeltSession& session, std::int64_t check) {
  for (const SlipSetting& setting : session.settings)
    if (setting.run == check && setting.fault.empty() && setting.creep && setting.creep->value)
      return rad_per_s_from_rpm(*setting.creep->value);
  return std::nullopt;
}

// Of optional values those that are there.
std::optional<double> mean_of(const std::vector<BeltSighting>& all,
                              std::optional<double> BeltSighting::*which) {
  double sum = 0, count = 0;
  for (const BeltSighting& one : all)
    if (one.*which) sum += *(one.*which), count += 1;
  return count > 0 ? std::optional(sum / count) : std::nullopt;
}

std::vector<BeltSighting> by_evening(const std::vector<BeltSighting>& all) {
  std::map<std::size_t, std::vector<BeltSighting>> evenings;
  for (const BeltSighting& one : all) evenings[one.evening].push_back(one);
  if (evenings.size() < 2) return all;
  std::vector<BeltSighting> means;
  for (const auto& [evening, own] : evenings) {
    BeltSighting& mean = means.emplace_back();
    mean.evening = evening;
    for (const BeltSighting& one : own) {
      mean.motor_speed += one.motor_speed / static_cast<double>(own.size());
      mean.quotient += one.quotient / static_cast<double>(own.size());
    }
    mean.supply_v = mean_of(own, &BeltSighting::supply_v);
    mean.creep_speed = mean_of(own, &BeltSighting::creep_speed);
  }
  return means;
}

}  // namespace

std::vector<BeltRuns> belt_runs(const Book& book, const BeltSession& session) {
  std::map<std::tuple<std::int64_t, std::int64_t, PulleyIds>, std::vector<BeltSighting>> found;
  std::vector<BeltRuns> result;
  if (session.at_motor) return result;
  for (const TopSpeed& top : session.runs) {
    if (!top.motor_speed) continue;
    const Run run = book.run(top.run);
    found[{run.belt, run.motor, {run.motor_pulley, run.hand_pulley}}].push_back(
        {top.evening, *top.motor_speed, top.speed / *top.motor_speed, top.supply,
         creep_in(session, run.slip_check)});
  }
  for (const auto& [key, runs] : found) {
    const std::vector<BeltSighting> sightings = by_evening(runs);
    result.push_back(
        {std::get<0>(key), std::get<1>(key), std::get<2>(key), sightings, seen_in(sightings)});
  }
  return result;
}

double belt_distance(double asked_motor_diameter, double seen_motor_diameter, bool same_motor,
                     bool same_hand_pulley) {
  return std::fabs(std::log(asked_motor_diameter / seen_motor_diameter)) +
         (same_motor ? 0 : kOtherMotor) + (same_hand_pulley ? 0 : kOtherHandPulley);
}

void correct_to_mean_supply(BeltRuns& runs, const Curve& motor, const Curve& machine) {
  if (!runs.seen.supply_v || runs.sightings.size() < 2) return;
  const auto effect =
      supply_effect_from_curve(motor, runs.seen.motor_speed.value, &machine,
                               1 / runs.seen.speed_quotient.value, "the motor's curve");
  if (!effect || !std::isfinite(effect->value)) return;
  for (BeltSighting& one : runs.sightings) {
    one.motor_speed *= std::pow(*runs.seen.supply_v / *one.supply_v, effect->value);
    one.supply_v = runs.seen.supply_v;
  }
  runs.seen = seen_in(runs.sightings);
}

void share_scatter(std::vector<BeltRuns>& all) {
  double freedom = kUsualFreedom;
  double speed = kUsualFreedom * kSpeedOfOneRun * kSpeedOfOneRun;
  double quotient = kUsualFreedom * kQuotientOfOneRun * kQuotientOfOneRun;
  for (const BeltRuns& runs : all) {
    const auto n = static_cast<double>(runs.sightings.size());
    if (n < 2) continue;
    // A mean's sd squared, times n (n − 1), is the sum of squares about it.
    speed += std::pow(runs.seen.motor_speed.sd / runs.seen.motor_speed.value, 2) * n * (n - 1);
    quotient +=
        std::pow(runs.seen.speed_quotient.sd / runs.seen.speed_quotient.value, 2) * n * (n - 1);
    freedom += n - 1;
  }
  for (BeltRuns& runs : all) {
    const auto n = static_cast<double>(runs.sightings.size());
    const auto share = [&](Uncertain& x, double squares) {
      x.sd = x.value * std::sqrt(squares / freedom / n);
      x.degrees_of_freedom = freedom;
    };
    share(runs.seen.motor_speed, speed);
    share(runs.seen.speed_quotient, quotient);
  }
}

}  // namespace loadline
