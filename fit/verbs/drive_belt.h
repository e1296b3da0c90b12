// What a belt's top-speed runs say of its slip and loss.
#pragma once

#include "db/book.h"
#include "fit/verbs/drive_inputs.h"

namespace loadline {

/// Puts the belt's slip and loss into the question, or says in a warning why there are none. Runs
/// on the question's pulleys are preferred; without such, runs on one other pair serve.
void put_belt(const Book& book, const Part& belt, const Part& motor, const Part& machine,
              const std::optional<double>& diameter_sd_m, DriveCase& drive);

}  // namespace loadline
