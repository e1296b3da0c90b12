// A machine's drag evening by evening: each coast-down fitted by itself, with one inertia for all.
//
// The inertia is the machine's and the same on every evening. Pairs of coast-downs with and without
// a known added inertia tell it, all of them together (run_effects.h); without a pair it is what
// book or runs say. Evenings that have driven runs alone go by these. Without any inertia the
// figure is drag over inertia, which changes just as the drag does.
#pragma once

#include <array>
#include <optional>
#include <string>
#include <vector>

#include "fit/curves/sessions.h"
#include "fit/drags/drag_fit.h"
#include "fit/history/evenings/run_effects.h"

namespace loadline {

struct DragRun {
  std::size_t session = 0;
  std::int64_t run = 0;   ///< the first, of several driven ones
  Curve curve;            ///< at the inertia of DragSessions
  double by_inertia = 0;  ///< d ln(drag) / d ln(inertia)
};

struct DragSessions {
  std::vector<Session> sessions;
  std::vector<DragRun> runs;
  double speed = 0;            ///< usual top speed, rad/s: the median of the runs' highest
  bool over_inertia = false;   ///< rad/s² in place of N·m
  Estimate inertia;            ///< kg·m²
  double shared_variance = 0;  ///< of ln(drag), alike in all sessions
  RunEffects effects;          ///< of ln(drag) at `speed`
  std::array<RunEffects, 3> coefficients;  ///< of c₀, c₁, c₂ themselves
  std::vector<std::string> left_out;
};

/// Only the runs in `numbers` unless that is empty. `stribeck` as in DragFitOptions. Runs that
/// cannot be fitted are named in `left_out`; without any usable one `runs` is empty.
DragSessions drag_sessions(const Book& book, const Part& machine,
                           const std::vector<std::int64_t>& numbers = {},
                           std::optional<bool> stribeck = false,
                           const std::optional<Prior>& inertia = std::nullopt);

}  // namespace loadline
