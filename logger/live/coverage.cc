#include "logger/live/coverage.h"

#include <algorithm>
#include <cmath>

namespace loadline {
namespace {

constexpr double kLeastRpm = 100;  // below that nothing has really turned

double rounded(double rpm) { return std::round(rpm / 10) * 10; }

}  // namespace

void SpeedCoverage::take(double rpm) {
  if (rpm < 0) return;
  speeds_.push_back(rpm);
  highest_ = std::max(highest_, rpm);
}

void SpeedCoverage::clear() {
  speeds_.clear();
  highest_ = 0;
}

std::vector<int> SpeedCoverage::counts() const {
  std::vector<int> counts(kParts, 0);
  if (highest_ <= 0) return counts;
  for (const double rpm : speeds_) {
    if (rpm <= 0) continue;  // at rest before and after the run, not braked to standstill
    const int part = static_cast<int>(rpm / highest_ * kParts);
    ++counts[static_cast<std::size_t>(std::min(part, kParts - 1))];
  }
  return counts;
}

SpeedCoverage::Hint SpeedCoverage::hint() const {
  if (highest_ < kLeastRpm) return {};
  const std::vector<int> parts = counts();
  int best_from = -1;
  int best_length = 0;
  for (int i = 0, length = 0; i < kParts; ++i) {
    length = parts[static_cast<std::size_t>(i)] < kEnough ? length + 1 : 0;
    if (length > best_length) {
      best_length = length;
      best_from = i - length + 1;
    }
  }
  if (best_length == 0) return {"all"};
  const double step = highest_ / kParts;
  return {best_from == 0 ? "below" : "between", rounded(best_from * step),
          rounded((best_from + best_length) * step)};
}

}  // namespace loadline
