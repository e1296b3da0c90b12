// From the book and the command line to drive questions.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "db/basis/command_line.h"
#include "db/book.h"
#include "fit/choose/diameters.h"
#include "fit/drive/question.h"

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

/// What --machine, --ratio or the pulleys, and the other options ask of each --motor.
std::vector<DriveCase> read_cases(const Book& book, const Arguments& arguments);

/// Every motor with a curve on every machine with a curve, at --ratio or at every pulley pair of
/// the book. `skipped` receives a sentence for each part without a curve.
std::vector<DriveCase> read_all_cases(const Book& book, const Arguments& arguments,
                                      std::vector<std::string>& skipped);

/// --diameter-sd-mm in m.
std::optional<double> diameter_sd(const Arguments& arguments);

}  // namespace loadline
