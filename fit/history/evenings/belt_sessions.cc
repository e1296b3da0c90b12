#include "fit/history/evenings/belt_sessions.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <set>
#include <tuple>

#include "fit/belts/comparison/belt_constants.h"
#include "fit/belts/session.h"

namespace loadline {
namespace {

using namespace belt_chosen;

// What was set up besides the belt.
using SetUp = std::tuple<std::int64_t, std::int64_t, std::int64_t, std::int64_t>;
SetUp set_up_of(const Run& run) {
  return {run.machine, run.motor, run.motor_pulley, run.hand_pulley};
}

std::string words_of(const Book& book, const SetUp& set_up) {
  const auto [machine, motor, motor_pulley, hand_pulley] = set_up;
  const auto name = [&](PartKind kind, std::int64_t id) {
    return id ? book.part(kind, id).name : std::string();
  };
  std::string words = name(PartKind::kMachine, machine);
  if (motor) words += ", motor " + name(PartKind::kMotor, motor);
  if (motor_pulley) words += ", " + name(PartKind::kPulley, motor_pulley);
  if (hand_pulley) words += " on " + name(PartKind::kPulley, hand_pulley);
  return words;
}

SetUp commonest(const std::vector<Session>& sessions) {
  std::map<SetUp, std::size_t> evenings;
  for (const Session& session : sessions) {
    std::set<SetUp> seen;
    for (const Run& run : session.runs)
      if (run.machine) seen.insert(set_up_of(run));
    for (const SetUp& one : seen) ++evenings[one];
  }
  const auto most = std::max_element(evenings.begin(), evenings.end(),
                                     [](auto& a, auto& b) { return a.second < b.second; });
  return most == evenings.end() ? SetUp{} : most->first;
}

struct SeenTop {
  std::size_t session;
  double log_speed, variance;
};

SeenTop seen_of(const TopSpeed& top, std::size_t session, const std::optional<double>& supply) {
  SeenTop seen{session, std::log(top.speed), std::pow(top.speed_sd / top.speed, 2)};
  if (!top.supply || !supply) return seen;
  const double off = std::log(*top.supply / *supply);
  seen.log_speed -= kSupplyEffect * off;
  seen.variance += std::pow(kSupplyEffectSd * off, 2);
  return seen;
}

// Runs of each belt on the set-up, with the session of `sessions` on whose evening they were made.
std::map<std::string, std::vector<SeenTop>> seen_by_belt(const Book& book, const SetUp& set_up,
                                                         const BeltSession& read,
                                                         const std::vector<Session>& sessions) {
  std::map<std::int64_t, std::size_t> session_of;
  // Evenings are those of all belts together; each is known by a run of this belt in it.
  RunFilter filter;
  filter.kind = RunKind::kTopSpeed;
  filter.machine = std::get<0>(set_up);
  for (const Run& run : book.runs(filter))
    for (std::size_t s = 0; s < sessions.size(); ++s) {
      const Session& session = sessions[s];
      const bool same = !session.label.empty() || !run.session.empty()
                            ? run.session == session.label
                            : day_of(run.started_utc) == day_of(session.started_utc) &&
                                  run.rig == session.runs.front().rig;
      if (same) session_of[run.id] = s;
    }
  std::optional<double> supply;
  for (const TopSpeed& top : read.runs)
    if (!supply) supply = top.supply;
  std::map<std::string, std::vector<SeenTop>> belts;
  for (const TopSpeed& top : read.runs) {
    const auto session = session_of.find(top.run);
    if (session == session_of.end() || set_up_of(book.run(top.run)) != set_up) continue;
    belts[top.belt].push_back(seen_of(top, session->second, supply));
  }
  return belts;
}

std::set<std::size_t> sessions_in(const std::vector<SeenTop>& seen) {
  std::set<std::size_t> sessions;
  for (const SeenTop& one : seen) sessions.insert(one.session);
  return sessions;
}

// The mean of the others' logarithms for each session, with its variance from run to run left to
// the scatter of the sessions.
std::map<std::size_t, double> means_of(const std::vector<const std::vector<SeenTop>*>& others) {
  std::map<std::size_t, double> sums;
  for (const auto* seen : others) {
    std::map<std::size_t, std::pair<double, double>> own;
    for (const SeenTop& one : *seen) {
      own[one.session].first += one.log_speed;
      own[one.session].second += 1;
    }
    for (const auto& [session, sum] : own)
      sums[session] += sum.first / sum.second / static_cast<double>(others.size());
  }
  return sums;
}

}  // namespace

BeltSessions belt_sessions(const Book& book, const Part& belt) {
  BeltSessions all;
  all.sessions = sessions_of(book, belt);
  const SetUp set_up = commonest(all.sessions);
  if (!std::get<0>(set_up)) return all;
  all.set_up = words_of(book, set_up);
  SessionOptions options;
  if (std::get<1>(set_up)) options.motor = std::get<1>(set_up);
  const BeltSession read = read_belt_session(book, std::get<0>(set_up), options);
  for (const RefusedRun& refused : read.refused)
    if (book.run(refused.run).belt == belt.id)
      all.left_out.push_back(fmt::format("Run {} was left out: {}.", refused.run, refused.reason));
  auto belts = seen_by_belt(book, set_up, read, all.sessions);
  const std::vector<SeenTop> own = belts[belt.name];
  if (own.empty()) return all;
  const std::set<std::size_t> evenings = sessions_in(own);
  std::vector<const std::vector<SeenTop>*> others;
  for (const auto& [name, seen] : belts) {
    if (name == belt.name) continue;
    const std::set<std::size_t> there = sessions_in(seen);
    if (!std::includes(there.begin(), there.end(), evenings.begin(), evenings.end())) continue;
    others.push_back(&seen);
    all.against.push_back(name);
  }
  const std::map<std::size_t, double> means = means_of(others);
  std::vector<RunFigure> figures;
  for (const SeenTop& one : own) {
    const auto mean = means.find(one.session);
    figures.push_back(
        {one.session, one.log_speed - (mean == means.end() ? 0 : mean->second), one.variance, 0});
  }
  all.effects = by_session(figures, all.sessions.size());
  double known = 0;
  for (const SessionFigure& figure : all.effects.sessions)
    if (figure.known) all.usual += figure.value, known += 1;
  all.usual /= known;
  return all;
}

}  // namespace loadline
