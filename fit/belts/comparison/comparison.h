// Belts compared by the top speed they let a machine reach: a small designed experiment.
//
// Model: ln(speed) = belt + block + e·ln(V/V₀) + g·ln(creep/middle) [+ drift·order] + ε, the ε
// independent from run to run with one variance. The run, for which the belt was set anew, is the
// unit; the thousands of samples inside it only say how well that run's mean is known. Blocks are
// pulley pairs (and sessions, and motors). e, the supply's effect, comes from the runs themselves
// where they are many enough and the supply moved enough (decided by the design, not by the
// speeds); otherwise from what is known beforehand: the motor's curve where there is one, else 0.7
// ± 0.5, which spans an induction motor (about 0.1) and a series motor (about 1.2). Drift over the
// order of the runs is taken out when its term is significant at 5 %; having looked costs one
// degree of freedom either way. g, what the slip setting does (analysis of covariance), is 0 ± 0.04
// beforehand: a tenth more tension costs at most some parts in a thousand of speed by the belt's
// loss and gives back less by its slip, and creep speed swings by about as much as tension; the
// runs move it from there by mixed estimation (Theil and Goldberger, International Economic Review
// 2 (1961) 65, from memory), so that its doubt is in every interval. Differences are Tukey–Kramer
// simultaneous 95 % intervals, so that among all pairs of a session without any true difference one
// is falsely found in at most one session of twenty.
//
// It misleads when belts were not run in mixed order (drift then looks like a belt), when belts
// never shared a pulley pair (then pulleys look like a belt: such pairs get no number), and when
// the slip setting was not the same. Pure functions of plain values; any thread.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "fit/belts/comparison/top_speed.h"

namespace loadline {

/// A value known beforehand, with its standard uncertainty.
struct KnownEffect {
  double value = 0;
  double sd = 0;
  std::string source;  ///< for people: "the curve of motor M"
};

struct CompareOptions {
  /// d ln(speed) / d ln(supply) known beforehand; the default is described above.
  std::optional<KnownEffect> supply_effect;
  /// Below this spread (largest − smallest of ln V) no correction is made: 0.2 % of supply moves
  /// the speed by as much at most, and a correction would cost more than it mends.
  double least_supply_spread = 0.002;
};

struct BeltResult {
  std::string name;
  std::vector<std::int64_t> runs;
  Estimate top_speed;                ///< rpm, at the session's median supply, over the mean block
  Estimate relative_percent;         ///< against the best: 100·(speed/best − 1)
  std::optional<std::string> group;  ///< letters; belts that share one cannot be told apart
  std::optional<Estimate> motor_speed;   ///< rpm
  std::optional<Estimate> extra_torque;  ///< mN·m at the motor shaft more than the best belt costs
  std::optional<Estimate> extra_power;   ///< W
};

struct BeltPair {
  std::string a, b;
  Estimate difference_percent;    ///< 100·(a/b − 1), simultaneous limits
  std::optional<double> p_value;  ///< adjusted for all pairs
};

struct RefusedRun {
  std::int64_t run = 0;
  std::string reason;
};

struct BeltComparison {
  std::vector<BeltResult> belts;  ///< fastest first
  std::vector<BeltPair> comparisons;
  std::vector<TopSpeed> runs;  ///< those compared
  std::vector<RefusedRun> refused;
  std::vector<std::string> warnings;
  std::vector<std::string> notes;  ///< what was done, in words
  Estimate repeatability;          ///< % from run to run, all corrections made
  double degrees_of_freedom = 0;
  Estimate supply_effect;          ///< d ln(speed) / d ln(supply)
  Estimate drift;                  ///< % from first to last run, when taken out
  std::optional<double> supply_v;  ///< V₀
  Estimate setting_effect;         ///< d ln(speed) / d ln(creep speed), when looked at
  std::size_t blocks = 0;
  bool at_motor = false;  ///< speeds are the motor's, as no hand-wheel speed was recorded
  /// True when at least one pair has a difference (with or without an interval).
  bool comparable() const;
};

/// Compares the runs. Warnings say what could not be done and why; it does not throw.
BeltComparison compare_belts(std::span<const TopSpeed> runs, const CompareOptions& options = {});

Json to_json(const BeltComparison& comparison);

}  // namespace loadline
