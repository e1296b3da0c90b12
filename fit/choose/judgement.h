// What every draw says of a candidate; what choice and next_run share.
#pragma once

#include <Eigen/Dense>

#include "fit/choose/drawer/choice_constants.h"
#include "fit/choose/prediction/prediction.h"

namespace loadline {

/// One figure of a candidate in every draw.
Eigen::VectorXf figure_in_draws(const Prediction& prediction, Eigen::Index figure,
                                const Eigen::MatrixXf& deviates);

/// Whether speed `speed` is right where the best that meets the aims has `best` (0: none does).
inline bool is_right(double speed, double best) {
  return speed > 0 && speed >= (1 - kWorthOfSpeed) * best;
}

}  // namespace loadline
