// A motor with a machine over the ratio: the answers that the page's slider steps through.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "fit/drive/answer.h"
#include "fit/drive/trade_off.h"
#include "fit/report/pages/subjects.h"

namespace loadline {

/// One position of the slider.
struct RatioStop {
  TradeOffRow row;
  std::string pulleys;  ///< "motor 20 / wheel 110" when pulleys of the book make this ratio
};

struct Pair {
  const Subject* motor = nullptr;
  const Subject* machine = nullptr;
  DriveAnswer best;              ///< at the ratio that is shown first, with the best ratio
  std::vector<RatioStop> stops;  ///< by rising ratio
  std::size_t start = 0;         ///< the stop that is shown first: nearest to the best ratio
};

/// A pair of pulleys of the book and the ratio that it makes.
struct PulleyRatio {
  std::string names;
  double ratio = 0;
};

/// The question of `loadline-fit drive --motor M --machine K --ratio I`, with the limits that the
/// parts record.
DriveQuestion question_at(const Subject& motor, const Subject& machine, double ratio);

/// Every motor pulley with every larger hand pulley, by rising ratio; pulleys without sizes are
/// left out, pairs beyond the slider's range too.
std::vector<PulleyRatio> pulley_ratios(const Book& book);

/// Stops every 0.1 from kLowRatio to kHighRatio, and at the pulleys' ratios; both subjects need
/// their curves. Error(kInput) where the question cannot be asked. Begins at the stop nearest to
/// `first`, without it at the best ratio.
Pair make_pair(const Subject& motor, const Subject& machine,
               const std::vector<PulleyRatio>& pulleys, std::optional<double> first);

inline constexpr double kLowRatio = 2.0, kHighRatio = 14.0, kRatioStep = 0.1;
/// Slow running that the steadiness of ratios is compared at, rpm of the hand wheel.
inline constexpr double kSlowRpm = 100;

}  // namespace loadline
