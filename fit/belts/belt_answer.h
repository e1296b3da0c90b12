// The whole answer to "which belt lets this machine run fastest?": session, comparison, what the
// motor's curve adds. What the verb `belts` prints and the report shows.
#pragma once

#include <string>

#include "db/book.h"
#include "fit/belts/comparison/comparison.h"
#include "fit/belts/session.h"

namespace loadline {

struct BeltAnswer {
  std::string machine;
  BeltSession session;
  BeltComparison comparison;  ///< refused runs and the session's warnings are in it as well
  /// Empty when at least two belts can be compared; else a sentence that says why not and what to
  /// do.
  std::string why_not;
};

/// Reads, reduces and compares all top-speed runs of the machine. Uses the latest curves of motor
/// and machine where the book holds them.
BeltAnswer answer_belts(const Book& book, const Part& machine, const SessionOptions& options = {});

/// The contract's document: `belts`, `comparisons`, `refused`, `warnings`, and more.
Json to_json(const BeltAnswer& answer);
/// As a page of text.
std::string to_text(const BeltAnswer& answer);

}  // namespace loadline
