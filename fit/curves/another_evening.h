// What a subject will do on another evening, where the book holds several: beside the results of
// its runs, which speak of the evenings on which they were made. fit/history/another_evening.h
// works it out; here is what it is, so that a curve can carry it.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "db/basis/estimate.h"

namespace loadline {

/// All torques of another evening are larger or smaller together, by a factor whose logarithm has
/// this standard uncertainty about the curve's own: scatter from session to session, that of their
/// mean, and how far the curve lies from it. Student's t with `degrees_of_freedom` gives its
/// limits; with two sessions that is one degree, and the limits are wide.
struct EveningSpread {
  double relative_sd = 0;
  double degrees_of_freedom = 1;
  int sessions = 0;
};

struct AnotherEvening {
  EveningSpread level;
  std::vector<std::pair<std::string, Estimate>> results;  ///< under the names of the fit's own
};

/// The results under their names, and `level`.
Json to_json(const AnotherEvening& another);

}  // namespace loadline
