#include "fit/history/evenings/drag_sessions.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/students_t.h"
#include "fit/history/evenings/history_constants.h"

namespace loadline {
namespace {

using namespace history_chosen;

std::vector<std::int64_t> numbers_of(const Session& session, RunKind kind) {
  std::vector<std::int64_t> numbers;
  for (const Run& run : session.runs)
    if (run.kind == kind) numbers.push_back(run.id);
  return numbers;
}

bool is_pair(const std::vector<Run>& runs) {
  std::optional<double> added;
  for (const Run& run : runs) {
    if (run.kind != RunKind::kCoastDown) continue;
    const double own = run.added_inertia_kgm2.value_or(0);
    if (added && *added != own) return true;
    added = own;
  }
  return false;
}

std::string sentence(std::int64_t run, const std::string& why) {
  return fmt::format("Run {} was left out: {}", run, why);
}

// A fit that may fail; why goes into `left_out`.
std::optional<DragFit> tried(const Book& book, const Part& machine, const DragFitOptions& options,
                             std::vector<std::string>* left_out) {
  try {
    DragFit fit = fit_drag(book, machine, options);
    if (fit.not_described.empty() && fit.curve.covariance.allFinite()) return fit;
    if (left_out) left_out->push_back(sentence(options.runs.front(), fit.not_described + "."));
  } catch (const Error& error) {
    if (error.fault() != Fault::kInput && error.fault() != Fault::kAnswerNo) throw;
    if (left_out) left_out->push_back(sentence(options.runs.front(), error.what()));
  }
  return std::nullopt;
}

// What a pair of one evening says of the inertia, else one over several evenings.
std::optional<Prior> inertia_of_pair(const Book& book, const Part& machine, const DragSessions& all,
                                     std::optional<bool> stribeck) {
  DragFitOptions options;
  options.stribeck = stribeck;
  std::vector<std::int64_t> every;
  std::vector<Run> runs;
  for (const Session& session : all.sessions) {
    const std::vector<std::int64_t> own = numbers_of(session, RunKind::kCoastDown);
    every.insert(every.end(), own.begin(), own.end());
    runs.insert(runs.end(), session.runs.begin(), session.runs.end());
    if (!is_pair(session.runs)) continue;
    options.runs = own;
    const auto fit = tried(book, machine, options, nullptr);
    if (fit && fit->with_inertia && fit->inertia.value) return Prior{*fit->inertia.value, 0};
  }
  if (!is_pair(runs)) return std::nullopt;
  options.runs = every;
  const auto fit = tried(book, machine, options, nullptr);
  if (!fit || !fit->with_inertia || !fit->inertia.value || !fit->inertia.low) return std::nullopt;
  return Prior{
      *fit->inertia.value,
      *fit->inertia.value * std::log(*fit->inertia.value / *fit->inertia.low) / kNormal975};
}

void add_coast(DragSessions& all, std::size_t session, const Run& run, DragFit fit) {
  const double added = run.added_inertia_kgm2.value_or(0);
  const double own = fit.with_inertia ? fit.inertia.value.value_or(0) : 0;
  all.over_inertia = all.over_inertia || !fit.with_inertia;
  if (fit.with_inertia) all.inertia = fit.inertia;
  all.runs.push_back({session, run.id, std::move(fit.curve), own > 0 ? own / (own + added) : 0});
}

void fit_session(const Book& book, const Part& machine, std::size_t number,
                 std::optional<bool> stribeck, const std::optional<Prior>& inertia,
                 DragSessions& all) {
  const Session& session = all.sessions[number];
  DragFitOptions options;
  options.stribeck = stribeck;
  if (inertia) options.inertia = Prior{inertia->mean, 0};
  for (const Run& run : session.runs) {
    if (run.kind != RunKind::kCoastDown) continue;
    options.runs = {run.id};
    if (auto fit = tried(book, machine, options, &all.left_out))
      add_coast(all, number, run, std::move(*fit));
  }
  const std::vector<std::int64_t> driven = numbers_of(session, RunKind::kDriven);
  if (driven.size() < session.runs.size() || driven.empty()) return;
  options.runs = driven;
  if (auto fit = tried(book, machine, options, &all.left_out))
    all.runs.push_back({number, driven.front(), std::move(fit->curve), 0});
}

double median_top(const std::vector<DragRun>& runs) {
  std::vector<double> tops;
  tops.reserve(runs.size());
  for (const DragRun& run : runs) tops.push_back(run.curve.speed_high);
  std::sort(tops.begin(), tops.end());
  return (tops[(tops.size() - 1) / 2] + tops[tops.size() / 2]) / 2;
}

double widened(const Curve& curve) { return curve.coverage_factor() / kNormal975; }

std::vector<RunFigure> levels_of(const DragSessions& all) {
  std::vector<RunFigure> figures;
  for (const DragRun& run : all.runs) {
    const double torque = run.curve.torque(all.speed);
    const double sd = run.curve.torque_sd(all.speed) / torque * widened(run.curve);
    figures.push_back({run.session, std::log(torque), sd * sd, run.by_inertia});
  }
  return figures;
}

// Torques of a run go with all that turned in it.
void move_inertia(DragSessions& all, double log_ratio) {
  for (DragRun& run : all.runs) {
    const double factor = 1 + run.by_inertia * std::expm1(log_ratio);
    run.curve.parameters.head(4 > run.curve.parameters.size() ? 3 : 4) *= factor;
    run.curve.covariance *= factor * factor;
    run.by_inertia *= std::exp(log_ratio) / factor;
  }
}

void leave_out_loose(DragSessions& all) {
  std::erase_if(all.runs, [&](const DragRun& run) {
    const double torque = run.curve.torque(all.speed), sd = run.curve.torque_sd(all.speed);
    const bool loose = !(torque > 0) || !(sd < kLoosest * torque);
    if (loose)
      all.left_out.push_back(
          sentence(run.run, "it does not tell the drag at the machine's usual top speed."));
    return loose;
  });
}

void set_effects(DragSessions& all) {
  const double start = all.inertia.value.value_or(0);
  double moved = 0;
  for (int turn = 0; turn < 3; ++turn) {
    all.effects = by_session(levels_of(all), all.sessions.size());
    if (!all.effects.shared || !(start > 0)) break;
    move_inertia(all, *all.effects.shared);
    moved += *all.effects.shared;
  }
  if (all.effects.shared && start > 0) {
    const double last = *all.effects.shared;
    all.inertia = {start * std::exp(moved),
                   start * std::exp(moved - last + all.effects.shared_limits->low),
                   start * std::exp(moved - last + all.effects.shared_limits->high), "kg·m²"};
    all.shared_variance = all.effects.shared_variance;
  } else if (all.inertia.value && all.inertia.low) {
    all.shared_variance = std::pow(std::log(*all.inertia.value / *all.inertia.low) / kNormal975, 2);
  }
  for (Eigen::Index c = 0; c < 3; ++c) {
    std::vector<RunFigure> figures;
    for (const DragRun& run : all.runs)
      figures.push_back({run.session, run.curve.parameters[c],
                         run.curve.covariance(c, c) * std::pow(widened(run.curve), 2), 0});
    all.coefficients[static_cast<std::size_t>(c)] = by_session(figures, all.sessions.size());
  }
}

}  // namespace

DragSessions drag_sessions(const Book& book, const Part& machine,
                           const std::vector<std::int64_t>& numbers, std::optional<bool> stribeck,
                           const std::optional<Prior>& inertia) {
  DragSessions all;
  all.sessions = sessions_of(book, machine, numbers);
  all.inertia = Estimate::unknown("kg·m²");
  std::optional<Prior> known = inertia;
  if (!known) known = inertia_of_pair(book, machine, all, stribeck);
  for (std::size_t s = 0; s < all.sessions.size(); ++s)
    fit_session(book, machine, s, stribeck, known, all);
  if (all.runs.empty()) return all;
  if (inertia)  // a person's word: pairs do not move it
    for (DragRun& run : all.runs) run.by_inertia = 0;
  if (known && known->sd > 0)
    all.inertia = {known->mean, known->mean * std::exp(-kNormal975 * known->sd / known->mean),
                   known->mean * std::exp(kNormal975 * known->sd / known->mean), "kg·m²"};
  all.speed = median_top(all.runs);
  leave_out_loose(all);
  if (!all.runs.empty()) set_effects(all);
  return all;
}

}  // namespace loadline
