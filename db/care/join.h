// Makes one part of two that turned out to be the same: "Heron 70" and "heron 70".
//
// Runs, calibrations, zeros, curves and events of the joined part belong to the other one from then
// on; no sample and no row of a run is touched, its content hash stays. Fields that only the joined
// part knew are taken over; where both know one and differ, the kept part's stands and the
// difference is reported. What the joined part said of itself, and which runs and curves were its
// own, stays in the book (Book::joined), and its name goes on meaning the kept part.
#pragma once

#include <string>
#include <vector>

#include "db/book.h"

namespace loadline {

struct JoinResult {
  std::int64_t into = 0;                 ///< the kept part
  std::vector<std::int64_t> runs;        ///< that were the joined part's
  std::vector<std::int64_t> curves;      ///< likewise; fitted to a part of the runs, so fit again
  std::vector<std::string> completed;    ///< fields taken over
  std::vector<std::string> differences;  ///< sentences
};

/// All or nothing. Error(kInput) when there is no such part, or both are the same.
JoinResult join_parts(Book& book, PartKind kind, const std::string& name, const std::string& into);

}  // namespace loadline
