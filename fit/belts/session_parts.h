// What the files that read a belt session share; nobody else includes this.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "db/book.h"
#include "fit/belts/belt_session.h"

namespace loadline {

/// A run on its way from the book to the comparison.
struct Candidate {
  Run run;
  TopSpeed reduced;
  std::optional<double> hand_speed, motor_speed;  ///< rad/s
  std::vector<std::string> reasons;               ///< to refuse it
  bool ok() const { return reasons.empty(); }
};

/// Gives each candidate whose slip check is missing, no match or outside the band its reason, and
/// the session its bands, settings and warnings.
void check_slip(const Book& book, std::int64_t machine, const SessionOptions& options,
                std::vector<Candidate>& candidates, BeltSession& session);

}  // namespace loadline
