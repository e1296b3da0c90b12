#include "fit/history/another_evening.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/students_t.h"
#include "db/basis/units.h"
#include "fit/history/changes.h"
#include "fit/history/evenings/drag_sessions.h"
#include "fit/history/evenings/motor_sessions.h"

namespace loadline {
namespace {

// The figures of those sessions that have one, and the model that the levels were found to follow.
struct Seen {
  std::vector<LevelSeen> levels;
  Eigen::MatrixXd design;
  Eigen::VectorXd next;  // the row of another session
};

std::vector<LevelEvent> events_of(const Book& book, const Part& subject) {
  std::vector<LevelEvent> events;
  for (const PartEvent& event : book.part_events(subject.kind, subject.id))
    if (const auto day = day_of(event.on_date)) events.push_back({*day, event.on_date, event.what});
  return events;
}

RandomEffects model_of(const Seen& seen) {
  const auto count = static_cast<Eigen::Index>(seen.levels.size());
  Eigen::VectorXd values(count), variances(count);
  for (Eigen::Index i = 0; i < count; ++i) {
    values[i] = seen.levels[static_cast<std::size_t>(i)].log_value;
    variances[i] = seen.levels[static_cast<std::size_t>(i)].variance;
  }
  return {values, variances, seen.design};
}

// What another session's runs will give: with their own noise.
Contrast next_one(const Seen& seen, double shared_variance) {
  double own = 0;
  for (const LevelSeen& one : seen.levels)
    own += one.variance / static_cast<double>(seen.levels.size());
  return {seen.next, true, shared_variance + own};
}

// Finds the steps in the levels; empty where nothing tells how sessions scatter.
std::optional<EveningSpread> spread_of(Seen& seen, const std::vector<LevelEvent>& events,
                                       double shared_variance, double log_of_curve) {
  if (seen.levels.size() < 2) return std::nullopt;
  const LevelStudy study = study_levels(seen.levels, events, shared_variance);
  if (!study.next_log_low) return std::nullopt;
  seen.design = study.design;
  seen.next = study.next;
  const double half = (*study.next_log_high - *study.next_log_low) / 2;
  const double sd = half / student_t_975(study.degrees_of_freedom);
  return EveningSpread{std::hypot(sd, study.next_log - log_of_curve), study.degrees_of_freedom,
                       static_cast<int>(seen.levels.size())};
}

Estimate next_of(const Seen& seen, double shared_variance, double factor, const char* unit) {
  const RandomEffects model = model_of(seen);
  const Contrast next = next_one(seen, shared_variance);
  Estimate estimate = Estimate::exact(factor * std::exp(model.value(next)), unit);
  if (const auto limits = model.limits(next)) {
    estimate.low = factor * std::exp(limits->low);
    estimate.high = factor * std::exp(limits->high);
  }
  return estimate;
}

// c₀, c₁, c₂ are no logarithms: they may lie on either side of zero.
Estimate next_coefficient(const DragSessions& all, std::size_t which, const Seen& levels,
                          const char* unit) {
  Seen seen{{}, levels.design, levels.next};
  for (std::size_t s = 0; s < all.sessions.size(); ++s)
    if (const SessionFigure& figure = all.coefficients[which].sessions[s]; figure.known)
      seen.levels.push_back({all.sessions[s].day, figure.value, figure.variance});
  const RandomEffects model = model_of(seen);
  const double value = model.value(next_one(seen, 0));
  const auto limits = model.limits(next_one(seen, value * value * all.shared_variance));
  if (!limits) return Estimate::exact(value, unit);
  return {value, limits->low, limits->high, unit};
}

}  // namespace

std::optional<AnotherEvening> another_evening(const Book& book, const Part& machine,
                                              const DragFit& fit, const DragFitOptions& options) {
  if (!fit.with_inertia || sessions_of(book, machine, fit.runs).size() < 2) return std::nullopt;
  const DragSessions all =
      drag_sessions(book, machine, fit.runs, fit.curve.model == "drag-stribeck", options.inertia);
  Seen seen;
  for (std::size_t s = 0; s < all.sessions.size() && !all.runs.empty(); ++s)
    if (const SessionFigure& figure = all.effects.sessions[s]; figure.known)
      seen.levels.push_back({all.sessions[s].day, figure.value, figure.variance});
  AnotherEvening another;
  const double torque = all.runs.empty() ? 0 : fit.curve.torque(all.speed);
  if (!(torque > 0)) return std::nullopt;
  const auto level =
      spread_of(seen, events_of(book, machine), all.shared_variance, std::log(torque));
  if (!level) return std::nullopt;
  another.level = *level;
  another.results = {{"c0", next_coefficient(all, 0, seen, "N·m")},
                     {"c1", next_coefficient(all, 1, seen, "N·m·s")},
                     {"c2", next_coefficient(all, 2, seen, "N·m·s²")},
                     {"inertia", all.inertia}};
  return another;
}

std::optional<AnotherEvening> another_evening(const Book& book, const Part& motor,
                                              const MotorFit& fit, const MotorFitOptions& options) {
  MotorFitOptions own = options;
  own.runs = fit.curve.runs;
  // Runs without load are part of the curve and not named as its runs.
  for (const Session& session : sessions_of(book, motor, options.runs))
    for (const Run& run : session.runs)
      if (run.kind != RunKind::kBrake && run.kind != RunKind::kSpinUp) own.runs.push_back(run.id);
  if (sessions_of(book, motor, fit.curve.runs).size() < 2) return std::nullopt;
  own.at_supply_v = fit.curve.supply_v;
  const MotorSessions all = motor_sessions(book, motor, own);
  std::array<Seen, kMotorFigures> seen;
  std::array<double, kMotorFigures> shared{};
  for (std::size_t s = 0; s < all.sessions.size(); ++s)
    for (std::size_t k = 0; k < kMotorFigures; ++k) {
      const MotorFigure& figure = all.figures[s][k];
      if (!figure.known) continue;
      seen[k].levels.push_back({all.sessions[s].day, figure.log_value, figure.variance});
      shared[k] = std::max(shared[k], figure.shared_variance);
    }
  if (!fit.peak_power.value) return std::nullopt;
  const auto level = spread_of(seen[kPower], events_of(book, motor), shared[kPower],
                               std::log(*fit.peak_power.value));
  if (!level) return std::nullopt;
  AnotherEvening another{*level, {}};
  const std::pair<const char*, const char*> names[] = {{"stall_torque", "N·m"},
                                                       {"no_load_speed", "rpm"},
                                                       {"peak_power", "W"},
                                                       {"peak_power_speed", "rpm"}};
  for (std::size_t k = 0; k < kMotorFigures; ++k) {
    // A figure that only some of the sessions have follows no steps that need all of them.
    const auto count = static_cast<Eigen::Index>(seen[k].levels.size());
    const bool all_of_them = count == seen[kPower].design.rows();
    seen[k].next = all_of_them ? seen[kPower].next : Eigen::VectorXd::Ones(1);
    seen[k].design =
        all_of_them ? seen[kPower].design : Eigen::MatrixXd(Eigen::MatrixXd::Ones(count, 1));
    another.results.emplace_back(names[k].first,
                                 count < 2 ? Estimate::unknown(names[k].second)
                                           : next_of(seen[k], shared[k], 1, names[k].second));
  }
  return another;
}

std::string to_text(const std::optional<AnotherEvening>& another) {
  if (!another) return "  another evening: not known; three to five evenings would tell\n";
  std::string text =
      fmt::format("  another evening, by the scatter of {} sessions:\n", another->level.sessions);
  for (const auto& [name, estimate] : another->results) {
    std::string words = name;
    std::replace(words.begin(), words.end(), '_', ' ');
    text += fmt::format("    {:<17}{}\n", words, to_text(estimate));
  }
  return text;
}

}  // namespace loadline
