// What the page needs of the book between runs: names to choose from and the plan's next step.
#pragma once

#include "db/basis/estimate.h"
#include "db/book.h"

namespace loadline {

/// {"rig", "motors", "machines", "belts", "pulleys", "kinds", "cautions", "calibrated", "zero",
/// "plan"}. The plan's next step is its slip check until one lies within the band.
Json bench_state(const Book& book, const Part& rig);

}  // namespace loadline
