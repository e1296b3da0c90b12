// The runs that a fit is made of.
#pragma once

#include <string>
#include <vector>

#include "db/book.h"

namespace loadline {

/// Ended runs of one kind with this motor or machine, by number; only those in `numbers` unless
/// that is empty, then also one that is still being recorded, as far as it has come. Runs that are
/// put aside are left out, each with a sentence in `left_out`.
std::vector<Run> runs_of(const Book& book, const Part& subject, RunKind kind,
                         const std::vector<std::int64_t>& numbers = {},
                         std::vector<std::string>* left_out = nullptr);

/// "Run 7 was left out: it is put aside (the belt came off)."
std::string aside_words(const Run& run);

}  // namespace loadline
