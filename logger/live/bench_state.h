// What the page needs of the book between runs: names to choose from and the plan's next step.
#pragma once

#include "db/basis/estimate.h"
#include "db/book.h"

namespace loadline {

/// {"rig", "motors", "machines", "belts", "pulleys", "kinds", "cautions", "slip_checks", "plan"}.
Json bench_state(const Book& book, const Part& rig);

}  // namespace loadline
