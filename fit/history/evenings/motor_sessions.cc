#include "fit/history/evenings/motor_sessions.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/students_t.h"

namespace loadline {
namespace {

// Sources of doubt that are the same rig, the same equation, the same description on every evening.
bool is_shared(const std::string& source) {
  return source == "slope" || source == "arm" || source == "equation" || source == "lag" ||
         source == "inertia";
}

double in_line(const BudgetLine& line, int kind) {
  const double all[] = {line.stall_torque, line.no_load_speed, line.peak_power,
                        line.peak_power_speed};
  return all[kind];
}

MotorFigure figure_of(const MotorFit& fit, const Estimate& estimate, int kind) {
  MotorFigure figure;
  figure.estimate = estimate;
  if (!estimate.value || !(*estimate.value > 0) || !estimate.low || !estimate.high) return figure;
  figure.known = true;
  figure.log_value = std::log(*estimate.value);
  const double all = std::pow(std::log(*estimate.high / *estimate.low) / (2 * kNormal975), 2);
  double shared = 0;
  for (const BudgetLine& line : fit.budget)
    if (is_shared(line.source)) shared += std::pow(in_line(line, kind) / *estimate.value, 2);
  figure.shared_variance = std::min(shared, all);
  figure.variance = all - figure.shared_variance;
  return figure;
}

std::array<MotorFigure, kMotorFigures> figures_of(const MotorFit& fit) {
  return {figure_of(fit, fit.stall_torque, kStall), figure_of(fit, fit.no_load_speed, kNoLoad),
          figure_of(fit, fit.peak_power, kPower),
          figure_of(fit, fit.peak_power_speed, kPowerSpeed)};
}

}  // namespace

MotorSessions motor_sessions(const Book& book, const Part& motor, const MotorFitOptions& options) {
  MotorSessions all;
  all.sessions = sessions_of(book, motor, options.runs);
  all.supply_v = options.at_supply_v;
  for (const Session& session : all.sessions) {
    all.figures.emplace_back();
    MotorFitOptions own = options;
    own.progress = nullptr;
    own.at_supply_v = all.supply_v;
    own.runs.clear();
    for (const Run& run : session.runs) own.runs.push_back(run.id);
    std::string why;
    try {
      MotorFit fit = fit_motor(book, motor, own);
      why = fit.not_described;
      if (why.empty()) {
        all.figures.back() = figures_of(fit);
        if (!all.supply_v) all.supply_v = fit.curve.supply_v;
        continue;
      }
    } catch (const Error& error) {
      if (error.fault() != Fault::kInput && error.fault() != Fault::kAnswerNo) throw;
      why = error.what();
    }
    all.left_out.push_back(fmt::format(
        "The session of {} gives no curve by itself: {}",
        session.label.empty() ? session.started_utc.substr(0, 10) : session.label, why));
  }
  return all;
}

}  // namespace loadline
