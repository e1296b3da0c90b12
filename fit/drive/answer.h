// The answer to one drive question, apart from how it is printed.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "fit/drive/figures.h"
#include "fit/drive/question.h"

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

/// All figures with analytic intervals, those of slow stitching as fit/drive/slow_stitching.h says.
DriveAnswer answer(const DriveDesk& desk);
/// The same before slow stitching is refined and without warnings: what other limits go into.
DriveAnswer first_order_answer(const DriveDesk& desk);

/// The same with the limits of `draws` Monte Carlo draws (≥ 100) from the inputs' distributions
/// (JCGM 101:2008): Student's t where an input has degrees of freedom, the central 95 % of the
/// results. Values stay those of the best estimates. The same seed gives the same limits.
DriveAnswer answer_by_draws(const DriveDesk& desk, std::size_t draws, std::uint64_t seed);

/// Lines of the figures found for `setup`, one of the desk's or one at another ratio.
std::vector<AnswerLine> answer_lines(const DriveDesk& desk, const DriveSetup& setup,
                                     const Figures& figures);

/// The contract's keys and more; unknown figures of the contract are null.
Json to_json(const DriveAnswer& answer);
/// For people: what it comes to in a sentence, the three figures that decide, a verdict, and what
/// was asked for besides. Without warnings; no line is wider than kPageWidth but for names that
/// are.
std::string to_text(const DriveAnswer& answer);
/// Every figure, as a table.
std::string details_text(const DriveAnswer& answer);
/// One sentence that says why there is no operating point; empty when there is one.
std::string why_not_running(const DriveAnswer& answer);

}  // namespace loadline
