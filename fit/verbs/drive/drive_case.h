// A drive to be asked about.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "fit/curves/curve.h"
#include "fit/drive/figures/question.h"

namespace loadline {

/// A question with the curves that it points to.
struct DriveCase {
  std::shared_ptr<const Curve> motor_curve, machine_curve;
  std::shared_ptr<const Curve> marks_curve;               ///< of motor and foot control
  std::vector<std::shared_ptr<const Curve>> belt_curves;  ///< of other motors that ran the belt
  DriveQuestion question;
  std::optional<std::string> motor_pulley, hand_pulley, belt;
  std::vector<std::string> warnings;
};

}  // namespace loadline
