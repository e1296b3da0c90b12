// The trade-off over ratio, and the picture of the crossing: curves to look at, as plain numbers.
#pragma once

#include <vector>

#include "fit/drive/answer.h"

namespace loadline {

/// One ratio of a trade-off. The ratio itself is taken as exact; all else has its interval.
struct TradeOffRow {
  double ratio;
  Settling settling;
  bool extrapolated;              ///< the operating point stands outside a measured range
  std::vector<AnswerLine> lines;  ///< in the order of Figure; without the best ratio
  /// How slow running goes at this ratio, where it was asked for: why a drop is missing.
  SlowRunning with_resistance = SlowRunning::kNoModel;
  SlowRunning with_voltage = SlowRunning::kNoModel;

  /// The estimate of a figure, unknown with its unit when it could not be calculated.
  Estimate estimate(Figure figure) const;
};

/// Rows at `count` ≥ 2 ratios evenly from `low` to `high`. Error(kInput) for limits out of order.
std::vector<TradeOffRow> trade_off(const DriveDesk& desk, double low, double high,
                                   std::size_t count);
/// Rows at the given ratios.
std::vector<TradeOffRow> trade_off(const DriveDesk& desk, const std::vector<double>& ratios);

/// The figures of a trade-off that can be told for this question, in order: columns of a table.
std::vector<Figure> trade_off_figures(const DriveDesk& desk);

/// A line over motor speed with its 95 % band.
struct Band {
  std::vector<double> speed;   ///< rad/s at the motor
  std::vector<double> torque;  ///< N·m at the motor shaft
  std::vector<double> low, high;
};

/// The motor's curve and the load line over motor speed, `points` each, from standstill (or the
/// lowest speed that the curve stands for) to a little beyond the crossing and the peak.
struct CrossingPicture {
  Band motor, load;
  double motor_low, motor_high;      ///< measured range of the motor, rad/s
  double machine_low, machine_high;  ///< of the machine, in motor speed at this ratio
  std::optional<double> crossing_speed, crossing_torque;
};
CrossingPicture crossing_picture(const DriveDesk& desk, std::size_t points);

}  // namespace loadline
