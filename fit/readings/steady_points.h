// Steady points: readings that somebody took one by one while nothing changed, with a hand
// tachometer, a spring balance, a voltmeter. They have an order and no time, so nothing of a trace
// (lag, acceleration, correlation in time) is in them.
//
// What a reading is known to comes from its owner (columns …_sd) or, where he says nothing, at
// least from its last digit: a value read to a step h is uniform within ± h/2, standard deviation
// h/√12 (JCGM 100:2008, F.2.2.1). What readings of the same thing scatter beyond that only the fit
// can tell, by what it leaves over.
#pragma once

#include <limits>
#include <span>
#include <vector>

#include "db/book.h"

namespace loadline {

/// One row in SI units; NaN where the row has no such cell.
struct SteadyPoint {
  static constexpr double kNone = std::numeric_limits<double>::quiet_NaN();
  int row = 0;                              ///< from 1, in the order taken
  double motor = kNone, handwheel = kNone;  ///< rad/s
  double torque = kNone;                    ///< N·m
  double supply_v = kNone;                  ///< of the row, else what the run says
  double temperature_c = kNone;
  // Standard uncertainties as stated beside the reading, NaN where nothing is.
  double motor_sd = kNone, handwheel_sd = kNone, torque_sd = kNone, supply_v_sd = kNone;
  // Those of the last digit alone, from all values of the column; 0 for a column without values.
  double motor_digit_sd = 0, handwheel_digit_sd = 0, torque_digit_sd = 0, supply_v_digit_sd = 0;
};

/// Whether readings scatter by no more than what is stated of them has it, or than chance adds to
/// that five times in six (a standard deviation of chi-squared). Squares are over the stated
/// variances.
bool borne_out(double squares, double freedom);
/// Degrees of freedom of limits by such uncertainties: as good as a normal distribution's.
inline constexpr double kStatedFreedom = 1e6;

/// The points of a steady run.
std::vector<SteadyPoint> steady_points(const Book& book, const Run& run);

/// Mean of one reading over points that repeat one thing.
struct PointMean {
  double value = SteadyPoint::kNone;  ///< NaN when no point has it
  /// Standard uncertainty, enlarged for few readings so that ± 1.96 of it is Student's interval.
  double sd = SteadyPoint::kNone;
  int readings = 0;
  bool known() const { return readings > 0; }
};

/// Where every reading has its stated uncertainty: weighted by it, and enlarged where they scatter
/// by more (Birge's ratio). Else: plain mean, scatter over √n, and no less than the last digit
/// tells.
PointMean mean_of(std::span<const SteadyPoint> points, double SteadyPoint::*value,
                  double SteadyPoint::*sd, double SteadyPoint::*digit_sd);

/// The step to which values were read: the largest power of ten of which all are whole multiples,
/// but no more than a hundredth of the largest one, since round numbers come by chance too; 0 for
/// no value. Finer than a millionth of the largest one nothing is read by hand: 0 as well.
double reading_step(std::span<const double> values);

}  // namespace loadline
