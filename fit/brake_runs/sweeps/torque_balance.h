// The balance of torques, averaged: what a brake run says without a derivative of a measured speed.
//
// J·dω/dt = T(ω) − τ holds at every moment. Multiplied by a smooth window k of unit area that is
// zero at its ends, and integrated by parts, it says
//
//   ∫ k τ dt = ∫ k T(ω) dt + J ∫ k′ ω dt
//
// exactly, whatever shaft and brake do within the window (modulating functions: Shinbrot, Trans.
// ASME 79 (1957) 547; from memory). A brake's chatter and the way from one step to the next are in
// both sides alike, where a smoothed speed, differentiated, would keep another share of them than
// the cell does and bend inertia, lag and curve to make up for it.
//
// k(x) = 35/32 (1 − x²)³, x from −1 to 1, wide against what cell and tachometer average themselves;
// what a cell averages besides is that, to second order, which half its variance in time makes of
// the torque's second derivative.
// T is averaged over the speeds that the window held, not taken at their mean.
#pragma once

#include <span>
#include <vector>

#include "fit/brake_runs/sweeps/sweep_row.h"
#include "fit/readings/readings.h"

namespace loadline {

/// Torque values of which some do not count, and the speed trace of the same run.
struct BalanceInput {
  const Readings& readings;
  const SpeedTrace& speed;
  /// Beside readings.torque; values that are stray for a moment are bridged from their neighbours.
  std::span<const char> stray;
};

/// How speed and torque lie in time against each other.
struct BalanceShift {
  double lag_s = 0;  ///< the torque's delay
  double turns = 0;  ///< the speed's delay, in turns of the shaft
};

/// Half of a window's width, s: from what cell and tachometer average; 0 where the values are too
/// few or too far apart for any.
double balance_half_width(const BalanceInput& input, double lag_s);

/// One row for every half of a half width, from the start of the run to its end, without those
/// whose window reaches into a gap, a run-up or a supply below `least_v`.
std::vector<SweepRow> balance_rows(const BalanceInput& input, const BalanceShift& shift,
                                   double half_width_s, double nominal_v);

}  // namespace loadline
