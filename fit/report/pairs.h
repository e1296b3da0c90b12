// A motor with a machine over the ratio: the answers that the page's slider steps through.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "fit/drive/answer.h"
#include "fit/report/subjects.h"

namespace loadline {

/// One position of the slider.
struct RatioStop {
  double ratio = 0;
  std::string pulleys;  ///< "18 mm on 90 mm" when pulleys of the book make this ratio
  DriveAnswer answer;
};

struct Pair {
  const Subject* motor = nullptr;
  const Subject* machine = nullptr;
  std::vector<RatioStop> stops;  ///< by rising ratio
  std::size_t start = 0;         ///< the stop that is shown first: nearest to the best ratio
};

/// The question of `loadline-fit drive --motor M --machine K --ratio I`, with the limits that the
/// parts record.
DriveQuestion question_at(const Subject& motor, const Subject& machine, double ratio);

/// Stops every 0.1 from kLowRatio to kHighRatio; both subjects need their curves.
Pair make_pair(const Subject& motor, const Subject& machine);

inline constexpr double kLowRatio = 2.0, kHighRatio = 14.0, kRatioStep = 0.1;

}  // namespace loadline
