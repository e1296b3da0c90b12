// The runs that a fit is made of.
#pragma once

#include <vector>

#include "db/book.h"

namespace loadline {

/// Ended runs of one kind with this motor or machine, by number; only those in `numbers` unless
/// that is empty.
std::vector<Run> runs_of(const Book& book, const Part& subject, RunKind kind,
                         const std::vector<std::int64_t>& numbers = {});

}  // namespace loadline
