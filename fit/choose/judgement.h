// What every draw says of a candidate; what choice and next_run share.
#pragma once

#include <Eigen/Dense>

#include "fit/choose/prediction.h"

namespace loadline {

/// The figures of a candidate in every draw: one row per draw, one column per figure.
Eigen::MatrixXd figures_in_draws(const Prediction& prediction, const Eigen::MatrixXd& deviations);

/// Top speed where all aims are met, 0 elsewhere, for rows of figures_in_draws.
Eigen::VectorXd speed_where_met(const Prediction& prediction, const Eigen::MatrixXd& figures);

/// Whether speed `speed` is right where the best that meets the aims has `best` (0: none does).
inline bool is_right(double speed, double best) {
  return speed > 0 && speed >= (1 - kWorthOfSpeed) * best;
}

}  // namespace loadline
