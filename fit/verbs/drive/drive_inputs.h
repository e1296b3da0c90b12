// From the book and the command line to drive questions.
#pragma once

#include <memory>
#include <optional>
#include <string>
#include <vector>

#include "db/basis/command_line.h"
#include "db/book.h"
#include "fit/choose/drawer/diameters.h"
#include "fit/drive/figures/question.h"
#include "fit/verbs/drive/drive_case.h"

namespace loadline {

/// What --machine, --ratio or the pulleys, and the other options ask of each --motor.
std::vector<DriveCase> read_cases(const Book& book, const Arguments& arguments);

/// Every motor with a curve on every machine with a curve, at --ratio or at every pulley pair of
/// the book. `skipped` receives a sentence for each part without a curve.
std::vector<DriveCase> read_all_cases(const Book& book, const Arguments& arguments,
                                      std::vector<std::string>& skipped);

/// --diameter-sd-mm in m.
std::optional<double> diameter_sd(const Arguments& arguments);

}  // namespace loadline
