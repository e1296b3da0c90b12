// What the rig sees of the bench, and how it lies: load cell with its converter, tachometers.
#pragma once

#include <cstdint>
#include <vector>

#include "firmware-protocol/simrig/dice.h"
#include "firmware-protocol/simrig/scenario.h"

namespace loadline::simrig {

/// Load cell on its arm, and the converter behind it. The converter's digital filter is two moving
/// averages of two conversion periods each in a row: settled after four periods, late by two.
class LoadCell {
 public:
  LoadCell(const CellSpec& spec, std::uint64_t seed);

  /// The torque on the arm went from `torque0` to `torque1` within `step_s`.
  void pass(double torque0, double torque1, double step_s);
  /// True when a conversion ends within the next `step_s` seconds; then *after_s tells when.
  bool due(double step_s, double* after_s) const;
  /// Ends the conversion that is due and returns its counts. `case_rise_k` is the warming of the
  /// motor's case. Call before pass() of the step in which it ends, with that step's values.
  std::int32_t convert(double torque0, double torque1, double step_s, double after_s,
                       double case_rise_k);

  double period_s() const { return period_s_; }
  /// Filter and lag together.
  double delay_s() const { return 2.0 * period_s_ + spec_.lag_s; }

 private:
  /// The force as it goes through lag and creep, and its first and second integral.
  struct Sums {
    double lagged = 0.0, crept = 0.0, once = 0.0, twice = 0.0;
  };
  Sums passed(Sums sums, double torque0, double torque1, double step_s) const;
  double force(double torque) const { return torque / (spec_.arm_mm * 1e-3); }
  double zero(double case_rise_k);

  CellSpec spec_;
  double period_s_;
  double time_s_ = 0.0;
  double next_s_;
  Sums sums_;
  double before_[4] = {};  ///< twice integrated force at the last four conversions, newest first
  double walked_ = 0.0;
  Dice white_, walk_;
  Wander slow_;
};

/// A disc with unevenly cut slots and its sensor.
class Tachometer {
 public:
  Tachometer(const TachSpec& spec, std::uint64_t seed, std::uint32_t stream);

  /// The shaft turned from `angle0` to `angle1` (rad, rising) between `time_s` and
  /// `time_s + step_s`, at these speeds; edges are kept until taken.
  void pass(double angle0, double angle1, double speed0, double speed1, double time_s,
            double step_s);
  /// Times of the edges up to `time_s` that were not taken before, rising.
  void take_until(double time_s, std::vector<double>& edges);

 private:
  std::vector<double> slots_;  ///< their angles within a turn, rad, rising
  double jitter_s_;
  Dice dice_;
  std::int64_t turn_ = 0;
  std::size_t slot_ = 0;
  double next_angle_;
  double last_edge_s_ = -1.0;
  std::vector<double> pending_;
};

}  // namespace loadline::simrig
