// From the book and the command line to drive questions.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "db/basis/command_line.h"
#include "db/book.h"
#include "fit/drive/question.h"

namespace loadline {

/// A question with the curves that it points to.
struct DriveCase {
  std::shared_ptr<const Curve> motor_curve, machine_curve;
  DriveQuestion question;
  std::optional<std::string> motor_pulley, hand_pulley, belt;
  std::vector<std::string> warnings;
};

/// The stored curve of a part; Error(kInput) with the command to run next when there is none.
std::shared_ptr<const Curve> curve_for(const Book& book, const Part& part);

/// What --motor, --machine, --ratio or the pulleys, and the other options ask.
DriveCase read_case(const Book& book, const Arguments& arguments);

/// Every motor with a curve on every machine with a curve, at --ratio or at every pulley pair of
/// the book. `skipped` receives a sentence for each part without a curve.
std::vector<DriveCase> read_all_cases(const Book& book, const Arguments& arguments,
                                      std::vector<std::string>& skipped);

/// Effective diameters of two pulleys under a belt, m.
struct Diameters {
  Uncertain motor, hand;
  double ratio() const { return hand.value / motor.value; }
  double ratio_sd() const;
};

/// From the pitch diameters, where the belt seats, or the rims (fit/belts/fit_check.h); appends its
/// warnings. `sd_m` overrides its standard uncertainty. Error(kInput) when a size is missing.
Diameters effective_diameters(const Part& motor_pulley, const Part& hand_pulley,
                              const std::optional<Part>& belt, const std::optional<double>& sd_m,
                              std::vector<std::string>& warnings);

/// --diameter-sd-mm in m.
std::optional<double> diameter_sd(const Arguments& arguments);

}  // namespace loadline
