#include "fit/belts/session.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <set>

#include "fit/belts/session_parts.h"
#include "fit/curves/sessions.h"
#include "fit/readings/noise/noise.h"
#include "fit/readings/readings.h"

namespace loadline {
namespace {

std::string part_name(const Book& book, PartKind kind, std::int64_t id) {
  return id ? book.part(kind, id).name : "";
}

// Mean supply between two times: the channel, else what the run names.
std::optional<double> supply_between(const Readings& readings, double start_s, double end_s) {
  double sum = 0, count = 0;
  for (std::size_t i = 0; i < readings.supply_all_v.size(); ++i) {
    const double t = readings.supply_time_s[i], v = readings.supply_all_v[i];
    if (std::isnan(v) || t < start_s || t > end_s) continue;
    sum += v;
    count += 1;
  }
  if (count > 0) return sum / count;
  const double mean = readings.mean_supply_v();
  return std::isfinite(mean) && mean > 0 ? std::optional(mean) : std::nullopt;
}

// Change of the supply over the later half of the run, per cent; 0 without a channel.
double supply_change(const Readings& readings) {
  const auto& v = readings.supply_all_v;
  const std::size_t n = v.size();
  if (n < 20) return 0;
  const auto middle = [&](std::size_t from, std::size_t to) {
    std::vector<double> some;
    for (std::size_t i = from; i < to; ++i)
      if (!std::isnan(v[i])) some.push_back(v[i]);
    return median(some);
  };
  const double early = middle(n / 3, n / 2), late = middle(n - n / 6, n);
  return early > 0 && late > 0 ? 100 * (late / early - 1) : 0;
}

// Points typed one by one: their mean, at whichever shaft the tachometer was held.
void reduce_points(const std::vector<SteadyPoint>& points, Candidate& candidate) {
  using P = SteadyPoint;
  const PointMean hand = mean_of(points, &P::handwheel, &P::handwheel_sd, &P::handwheel_digit_sd);
  const PointMean motor = mean_of(points, &P::motor, &P::motor_sd, &P::motor_digit_sd);
  const PointMean& top = hand.known() ? hand : motor;
  if (!top.known() || !(top.value > 0)) {
    candidate.reasons.emplace_back("it holds no speed");
    return;
  }
  if (hand.known()) candidate.hand_speed = hand.value;
  if (motor.known()) candidate.motor_speed = motor.value;
  TopSpeed& out = candidate.reduced;
  out.speed = top.value;
  out.speed_sd = top.sd;
  out.motor_speed = candidate.motor_speed;
  const PointMean supply = mean_of(points, &P::supply_v, &P::supply_v_sd, &P::supply_v_digit_sd);
  if (supply.known() && supply.value > 0) out.supply = supply.value;
}

void reduce(const Readings& readings, const SessionOptions& options, Candidate& candidate) {
  if (readings.run.steady) {
    reduce_points(readings.points, candidate);
    return;
  }
  SteadyOptions steady;
  steady.tolerance_percent = options.steady_percent;
  steady.supply_change_percent = supply_change(readings);
  const bool by_hand = !readings.handwheel.empty();
  const SpeedTrace& trace = by_hand ? readings.handwheel : readings.motor;
  if (trace.empty()) {
    candidate.reasons.emplace_back("it holds no speed");
    return;
  }
  const SteadyPart part = steady_part(trace, steady);
  if (!part.found()) {
    candidate.reasons.push_back(part.fault);
    return;
  }
  TopSpeed& out = candidate.reduced;
  out.speed = part.speed;
  out.speed_sd = part.speed_sd;
  out.start_s = part.start_s;
  out.end_s = part.end_s;
  out.turns = part.turns;
  out.change_percent = part.change_percent;
  out.supply = supply_between(readings, part.start_s, part.end_s);
  (by_hand ? candidate.hand_speed : candidate.motor_speed) = part.speed;
  if (by_hand && !readings.motor.empty()) {
    const SteadyPart motor = steady_part(readings.motor, steady);
    if (motor.found()) candidate.motor_speed = motor.speed;
  }
  out.motor_speed = candidate.motor_speed;
}

std::string set_up_of(const Book& book, const Run& run) {
  std::string name = part_name(book, PartKind::kMotor, run.motor);
  const std::string motor_pulley = part_name(book, PartKind::kPulley, run.motor_pulley);
  const std::string hand_pulley = part_name(book, PartKind::kPulley, run.hand_pulley);
  if (!motor_pulley.empty() || !hand_pulley.empty())
    name += fmt::format("{}{} on {}", name.empty() ? "" : ", ",
                        motor_pulley.empty() ? "unnamed pulley" : motor_pulley,
                        hand_pulley.empty() ? "unnamed pulley" : hand_pulley);
  return name;
}

std::string block_name(const std::string& set_up, std::size_t evening) {
  std::string name = set_up;
  if (evening > 0) name += fmt::format("{}session {}", name.empty() ? "" : ", ", evening + 1);
  return name.empty() ? "all" : name;
}

// Runs in time order with their block, belt and place.
std::vector<Candidate> candidates_of(const Book& book, std::int64_t machine,
                                     const SessionOptions& options) {
  RunFilter filter;
  filter.kind = RunKind::kTopSpeed;
  filter.machine = machine;
  filter.motor = options.motor;
  std::vector<Run> runs = book.runs(filter);
  std::stable_sort(runs.begin(), runs.end(), [](const Run& a, const Run& b) {
    return std::pair(a.started_utc, a.id) < std::pair(b.started_utc, b.id);
  });
  std::vector<Candidate> candidates;
  const std::vector<std::size_t> evenings = evenings_of(runs);
  for (const Run& run : runs) {
    Candidate& candidate = candidates.emplace_back();
    candidate.run = run;
    candidate.reduced.run = run.id;
    candidate.reduced.order = static_cast<double>(candidates.size() - 1);
    candidate.reduced.belt = part_name(book, PartKind::kBelt, run.belt);
    candidate.reduced.evening = evenings[candidates.size() - 1];
    candidate.reduced.set_up = set_up_of(book, run);
    candidate.reduced.block = block_name(candidate.reduced.set_up, candidate.reduced.evening);
    if (!run.aside.empty()) candidate.reasons.push_back("it is put aside: " + run.aside);
    if (!run.belt) candidate.reasons.emplace_back("it names no belt");
  }
  return candidates;
}

void check_supply(const SessionOptions& options, std::vector<Candidate>& candidates) {
  std::vector<double> volts;
  for (const Candidate& candidate : candidates)
    if (candidate.ok() && candidate.reduced.supply) volts.push_back(*candidate.reduced.supply);
  const double middle = median(volts);
  for (Candidate& candidate : candidates) {
    if (!candidate.reduced.supply || volts.empty()) continue;
    const double away = 100 * (*candidate.reduced.supply / middle - 1);
    if (std::fabs(away) > options.supply_band_percent)
      candidate.reasons.push_back(
          fmt::format("supply voltage off: {} V is {:.1f} % from the session's {} V",
                      significant(*candidate.reduced.supply, 4), away, significant(middle, 4)));
  }
}

// Hand-wheel speed of runs that hold only the motor's, by the ratio that the same belt and pulleys
// showed in runs with both.
void fill_hand_speeds(std::vector<Candidate>& candidates, BeltSession& session) {
  std::map<std::pair<std::string, std::string>, std::vector<double>> ratios;
  bool any = false;
  for (const Candidate& c : candidates) {
    any = any || (c.ok() && c.hand_speed);
    if (c.ok() && c.hand_speed && c.motor_speed)
      ratios[{c.reduced.belt, c.reduced.block}].push_back(*c.motor_speed / *c.hand_speed);
  }
  session.at_motor = !any;
  if (session.at_motor) return;
  for (Candidate& c : candidates) {
    if (!c.ok() || c.hand_speed) continue;
    const auto at = ratios.find({c.reduced.belt, c.reduced.block});
    if (at == ratios.end()) {
      c.reasons.emplace_back("it holds no hand-wheel speed, while other runs do");
      continue;
    }
    const double ratio = median(at->second);
    c.reduced.speed /= ratio;
    c.reduced.speed_sd /= ratio;
  }
}

std::string joined(const std::vector<std::string>& reasons) {
  std::string text;
  for (const std::string& reason : reasons) text += (text.empty() ? "" : "; ") + reason;
  return text;
}

}  // namespace

BeltSession read_belt_session(const Book& book, std::int64_t machine,
                              const SessionOptions& options) {
  BeltSession session;
  std::vector<Candidate> candidates = candidates_of(book, machine, options);
  for (Candidate& candidate : candidates) {
    if (!candidate.run.aside.empty()) continue;
    try {
      reduce(load_readings(book, candidate.run.id), options, candidate);
    } catch (const Error& error) {
      if (error.fault() == Fault::kBook) throw;
      candidate.reasons.emplace_back(error.what());
    }
  }
  check_slip(book, machine, options, candidates, session);
  check_supply(options, candidates);
  fill_hand_speeds(candidates, session);
  if (session.at_motor && !candidates.empty())
    session.warnings.emplace_back(
        "no run holds a hand-wheel speed: motor speeds are compared, which miss what the belt "
        "slips");
  std::set<std::int64_t> motors;
  for (const Candidate& candidate : candidates) {
    if (!candidate.ok()) {
      session.refused.push_back({candidate.run.id, joined(candidate.reasons)});
      continue;
    }
    session.runs.push_back(candidate.reduced);
    motors.insert(candidate.run.motor);
  }
  session.motors.assign(motors.begin(), motors.end());
  return session;
}

}  // namespace loadline
