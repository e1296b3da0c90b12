// Looks for what must not be in a book: damage, orphans, altered and impossible data. Reads only.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "db/book.h"

namespace loadline {

/// One thing that is wrong.
struct Finding {
  std::string where;  ///< "run 7", "curve 3", "file"
  std::string what;   ///< a sentence
};

struct CheckResult {
  std::vector<Finding> findings;    ///< empty for a sound book
  std::vector<Finding> notes;       ///< worth knowing, not wrong: runs still open
  std::int64_t runs = 0, rows = 0;  ///< runs and measured rows looked at
};

/// Checks the file's structure (SQLite's integrity check), references, that the schema's guards are
/// all there, each run's rows against its count and content hash, and that no value is impossible
/// (edges that fall, time that falls, values out of their range, covariances that are none).
/// Never changes anything. `progress` gets rows done and in all.
CheckResult check_book(const Book& book, const std::function<void(double, double)>& progress = {});

}  // namespace loadline
