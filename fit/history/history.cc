#include "fit/history/history.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/students_t.h"
#include "db/basis/units.h"
#include "fit/history/evenings/belt_sessions.h"
#include "fit/history/evenings/drag_sessions.h"
#include "fit/history/evenings/motor_sessions.h"

namespace loadline {
namespace {

HistorySession session_of(const Session& session, const std::string& unit) {
  HistorySession out{session.started_utc, session.label, {}, Estimate::unknown(unit)};
  for (const Run& run : session.runs) out.runs.push_back(run.id);
  return out;
}

// exp of a figure with its limits, widened by what all sessions have in common.
Estimate positive(double log_value, const std::optional<Limits>& limits, double shared_variance,
                  double factor, const std::string& unit) {
  Estimate estimate = Estimate::exact(factor * std::exp(log_value), unit);
  if (!limits) return estimate;
  const double shared = kNormal975 * std::sqrt(shared_variance);
  estimate.low = factor * std::exp(log_value - std::hypot(log_value - limits->low, shared));
  estimate.high = factor * std::exp(log_value + std::hypot(limits->high - log_value, shared));
  return estimate;
}

struct Levels {
  std::vector<LevelSeen> seen;
  std::vector<std::size_t> session;  // place of each in History::sessions
  double factor = 1;                 // from exp of a level to the figure
  double shared_variance = 0;
  std::string unit;
};

void take_effects(const RunEffects& effects, const std::vector<Session>& sessions,
                  double more_shared, History& history, Levels& levels) {
  for (std::size_t s = 0; s < sessions.size(); ++s) {
    history.sessions.push_back(session_of(sessions[s], levels.unit));
    const SessionFigure& figure = effects.sessions[s];
    if (!figure.known) continue;
    history.sessions.back().value =
        positive(figure.value, figure.limits, more_shared, levels.factor, levels.unit);
    levels.seen.push_back({sessions[s].day, figure.value, figure.variance});
    levels.session.push_back(s);
  }
  history.between_runs_percent = Estimate::unknown("%");
  if (effects.run_variance)
    history.between_runs_percent = Estimate::exact(100 * std::sqrt(*effects.run_variance), "%");
}

Levels machine_levels(const Book& book, const Part& machine, History& history) {
  DragSessions all = drag_sessions(book, machine);
  Levels levels;
  levels.unit = all.over_inertia ? "rad/s²" : "N·m";
  history.warnings = all.left_out;
  if (all.runs.empty()) return levels;
  history.speed_rpm = rpm_from_rad_per_s(all.speed);
  history.figure = fmt::format("{} at {} rpm", all.over_inertia ? "drag over inertia" : "drag",
                               rpm_text(all.speed));
  const bool in_figures = all.effects.shared.has_value();  // their limits hold the inertia's doubt
  take_effects(all.effects, all.sessions, in_figures ? 0 : all.shared_variance, history, levels);
  levels.shared_variance = all.shared_variance;
  return levels;
}

Levels motor_levels(const Book& book, const Part& motor, History& history) {
  const MotorSessions all = motor_sessions(book, motor);
  Levels levels;
  levels.unit = "W";
  history.warnings = all.left_out;
  history.figure = "peak power";
  if (all.supply_v) history.figure += fmt::format(" at {} V", significant(*all.supply_v, 4));
  history.between_runs_percent = Estimate::unknown("%");
  for (std::size_t s = 0; s < all.sessions.size(); ++s) {
    history.sessions.push_back(session_of(all.sessions[s], levels.unit));
    const MotorFigure& power = all.figures[s][kPower];
    if (!power.known) continue;
    history.sessions.back().value = power.estimate;
    levels.seen.push_back({all.sessions[s].day, power.log_value, power.variance});
    levels.session.push_back(s);
    levels.shared_variance = std::max(levels.shared_variance, power.shared_variance);
  }
  return levels;
}

Levels belt_levels(const Book& book, const Part& belt, History& history) {
  const BeltSessions all = belt_sessions(book, belt);
  Levels levels;
  levels.unit = "%";
  history.warnings = all.left_out;
  if (all.effects.sessions.empty()) return levels;
  const bool alone = all.against.empty();
  history.figure = "top speed on " + all.set_up;
  history.figure += alone ? ", of its usual one"
                          : fmt::format(", of that of {}", fmt::join(all.against, " and "));
  levels.factor = 100 * (alone ? std::exp(-all.usual) : 1);
  take_effects(all.effects, all.sessions, 0, history, levels);
  return levels;
}

std::string what_to_record(const Part& subject) {
  const char* kind = subject.kind == PartKind::kMachine ? "coast-down"
                     : subject.kind == PartKind::kMotor ? "brake"
                                                        : "top-speed";
  return fmt::format(
      "{} '{}' has no usable run to make a history of; record one with "
      "loadline-logger record {}, or import one.",
      part_kind_name(subject.kind), subject.name, kind);
}

std::string day_words(const HistorySession& session) { return session.started_utc.substr(0, 10); }

void judge(History& history, const Levels& levels) {
  std::vector<LevelEvent> events;
  for (const PartEvent& event : history.events)
    if (const auto day = day_of(event.on_date)) events.push_back({*day, event.on_date, event.what});
  const LevelStudy study = study_levels(levels.seen, events, levels.shared_variance);
  history.between_sessions_percent = study.between_percent;
  history.trend_percent_per_year = study.trend_percent_per_year;
  history.could_look = study.could_look;
  history.findable_percent = study.findable_percent;
  for (const LevelChange& change : study.changes)
    history.changes.push_back(
        {change.event ? change.on : day_words(history.sessions[levels.session[change.first]]),
         change.percent, change.event, !change.event});
  history.another_evening = Estimate::exact(levels.factor * std::exp(study.next_log), levels.unit);
  if (!study.next_log_low) return;
  history.another_evening.low = levels.factor * std::exp(*study.next_log_low);
  history.another_evening.high = levels.factor * std::exp(*study.next_log_high);
}

}  // namespace

History history_of(const Book& book, const Part& subject) {
  History history;
  history.kind = subject.kind;
  history.name = subject.name;
  history.events = book.part_events(subject.kind, subject.id);
  const Levels levels = subject.kind == PartKind::kMachine ? machine_levels(book, subject, history)
                        : subject.kind == PartKind::kMotor ? motor_levels(book, subject, history)
                                                           : belt_levels(book, subject, history);
  if (levels.seen.empty())
    throw Error(
        Fault::kInput,
        what_to_record(subject) + (history.warnings.empty() ? "" : " " + history.warnings.front()));
  judge(history, levels);
  return history;
}

}  // namespace loadline
