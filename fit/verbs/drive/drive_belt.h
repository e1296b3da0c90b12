// What a belt's top-speed runs say of its slip and loss.
#pragma once

#include <map>
#include <utility>

#include "db/book.h"
#include "fit/choose/drawer/belt_runs.h"
#include "fit/verbs/drive/drive_case.h"

namespace loadline {

/// A belt's usable runs, each session read once for however many drives ask. The book must outlive
/// it.
class BeltReader {
 public:
  BeltReader(const Book& book, Part belt) : book_(book), belt_(std::move(belt)) {}

  /// Puts the belt's slip and loss into the question, or says in a warning why there are none: from
  /// runs with the question's motor on its pulleys, else from those with the motor and the pulleys
  /// nearest to them. All its runs on the machine tell how it goes with the pulleys.
  void put_belt(const Part& motor, const Part& machine, const std::optional<double>& diameter_sd_m,
                DriveCase& drive);

 private:
  struct Found {
    std::vector<BeltRuns> runs;
    std::string refused;  // why the belt's own runs were left out, when they were
  };
  const Found& runs_of(const Part& motor, const Part& machine);
  const Found& session(const Part& machine, std::int64_t motor);

  const Book& book_;
  Part belt_;
  std::map<std::pair<std::int64_t, std::int64_t>, Found> sessions_, runs_;
};

}  // namespace loadline
