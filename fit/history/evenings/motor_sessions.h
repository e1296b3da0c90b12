// A motor's curve evening by evening: each session's runs fitted by themselves, all at one supply.
#pragma once

#include <array>
#include <optional>
#include <string>
#include <vector>

#include "fit/curves/sessions.h"
#include "fit/motors/motor_fit.h"

namespace loadline {

/// A result of one session's curve, as its logarithm (in rad/s, N·m or W; only ratios matter).
struct MotorFigure {
  bool known = false;
  double log_value = 0;
  double variance = 0;         ///< of what happens anew in each session: noise, drift, warm-up
  double shared_variance = 0;  ///< of slope, arm, lag, inertia and equation, alike in all of them
  Estimate estimate;           ///< as the fit gives it
};

/// In the order of MotorFit: standstill torque, no-load speed, peak power, its speed.
enum MotorFigureKind { kStall, kNoLoad, kPower, kPowerSpeed, kMotorFigures };

struct MotorSessions {
  std::vector<Session> sessions;
  std::vector<std::array<MotorFigure, kMotorFigures>> figures;  ///< beside `sessions`
  std::optional<double> supply_v;                               ///< that all of them stand for
  std::vector<std::string> left_out;
};

/// `options` as for fit_motor; its supply, or that of the first session, is the supply of all.
MotorSessions motor_sessions(const Book& book, const Part& motor,
                             const MotorFitOptions& options = {});

}  // namespace loadline
