// What the answer to a drive question holds.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "fit/drive/figures/figures.h"
#include "fit/drive/figures/question.h"

namespace loadline {

/// One figure with its 95 % interval. `extrapolated` says which curve it leans on outside the range
/// that was measured ("motor curve above 9,000 rpm"), empty when it stands on measured ground.
struct AnswerLine {
  Figure figure;
  Estimate estimate;
  std::string extrapolated;
};

/// Another pulley or ratio, and its change against today's in per cent.
struct WhatIf {
  std::vector<AnswerLine> lines;
  std::vector<AnswerLine> changes;  ///< per cent, with intervals of the change itself
  Settling settling = Settling::kTooWeak;
};

struct DriveAnswer {
  std::string motor, machine;
  Settling settling = Settling::kTooWeak;
  std::vector<Crossing> crossings;
  ByPedal<SlowRunning> slow;
  bool slow_asked = false;
  /// Share of the possible cases in which the seam, as the push that it is, stops the machine with
  /// that pedal; empty where the machine's inertia is not known.
  ByPedal<std::optional<double>> stalls;
  std::vector<AnswerLine> lines;  ///< in the order of Figure; only what could be calculated
  bool extrapolated = false;      ///< the operating point stands outside a measured range
  std::optional<WhatIf> what_if;
  /// What each source contributes to the standard uncertainty of the top speed (rpm).
  std::vector<Sources::Share> top_speed_budget;
  std::vector<std::string> warnings;
  /// Set when the limits come from Monte Carlo draws.
  std::optional<std::size_t> draws;
  std::uint64_t seed = 0;
  std::size_t draws_without_point = 0;  ///< draws in which there was no operating point

  /// The line of a figure, or nullptr.
  const AnswerLine* find(Figure figure) const;
  /// There is a speed at which the machine settles.
  bool runs() const { return find(Figure::kMotorSpeed) != nullptr; }
};

/// One sentence that says why there is no operating point; empty when there is one.
std::string why_not_running(const DriveAnswer& answer);

}  // namespace loadline
