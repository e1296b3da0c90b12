#include "logger/zero_watch.h"

#include <algorithm>
#include <cmath>
#include <vector>

namespace loadline {
namespace {

constexpr double kLongestS = 3;     // of the stretch that is averaged: the nearest to the run
constexpr double kShortestS = 0.4;  // and the least that is believed
constexpr std::int64_t kFewest = 4;
constexpr double kSettleS = 0.4;  // after the last edge: a converter at 10/s settles in 0.4 s
constexpr double kGuardS = 0.3;  // before the first edge: torque comes before the first slot passes

/// Of at least two values with `tick` and `counts`.
template <typename Conversion>
RestMean mean_of(std::span<const Conversion> conversions) {
  RestMean mean;
  mean.conversions = std::ssize(conversions);
  mean.tick = (conversions.front().tick + conversions.back().tick) / 2;
  const auto n = static_cast<double>(conversions.size());
  for (const Conversion& conversion : conversions) mean.mean_counts += conversion.counts / n;
  double squares = 0;
  for (const Conversion& conversion : conversions)
    squares += std::pow(conversion.counts - mean.mean_counts, 2);
  mean.sd_counts = std::sqrt(squares / (n - 1));
  return mean;
}

struct Counted {
  std::int64_t tick;
  std::int32_t counts;
};

}  // namespace

std::optional<RestMean> mean_counts(std::span<const Sample> samples) {
  std::vector<Counted> counted;
  for (const Sample& sample : samples)
    if (sample.torque_counts) counted.push_back({sample.tick, *sample.torque_counts});
  if (counted.size() < 2) return std::nullopt;
  return mean_of<Counted>(counted);
}

void ZeroWatch::take(std::span<const Sample> samples) {
  for (const Sample& sample : samples) {
    const std::int64_t edges = sample.motor_edges.value_or(0) + sample.handwheel_edges.value_or(0);
    if (edges != edges_) {
      if (!turned_) before_ = mean_until(sample.tick - std::llround(kGuardS * tick_hz_));
      turned_ = true;
      edges_ = edges;
      rest_.clear();
      rest_since_ = sample.tick;
    }
    if (!sample.torque_counts) continue;
    const std::int32_t counts = *sample.torque_counts;
    lowest_ = std::min(lowest_.value_or(counts), counts);
    highest_ = std::max(highest_.value_or(counts), counts);
    const double rested = static_cast<double>(sample.tick - rest_since_);
    if (turned_ && rested < kSettleS * tick_hz_) continue;
    rest_.push_back({sample.tick, counts});
    while (static_cast<double>(sample.tick - rest_.front().tick) > (kLongestS + kGuardS) * tick_hz_)
      rest_.pop_front();
  }
}

std::optional<RestMean> ZeroWatch::mean_until(std::int64_t tick) const {
  std::vector<Conversion> used;
  for (const Conversion& conversion : rest_)
    if (conversion.tick <= tick) used.push_back(conversion);
  if (std::ssize(used) < kFewest) return std::nullopt;
  const double span = static_cast<double>(used.back().tick - used.front().tick);
  if (span < kShortestS * tick_hz_) return std::nullopt;
  const RestMean mean = mean_of<Conversion>(used);
  if (!steady(used, mean)) return std::nullopt;
  return mean;
}

bool ZeroWatch::steady(std::span<const Conversion> conversions, const RestMean& mean) const {
  // A load that is put on or taken off in the middle of the stretch moves one half against the
  // other by twice the deviation, a slow noise by up to about one and a half.
  const std::size_t half = conversions.size() / 2;
  double first = 0;
  double second = 0;
  for (std::size_t i = 0; i < half; ++i) first += conversions[i].counts;
  for (std::size_t i = half; i < conversions.size(); ++i) second += conversions[i].counts;
  first /= static_cast<double>(half);
  second /= static_cast<double>(conversions.size() - half);
  return std::abs(first - second) <= 1.9 * mean.sd_counts + 1;
}

std::optional<RestMean> ZeroWatch::now() const {
  return rest_.empty() ? std::nullopt : mean_until(rest_.back().tick);
}

double ZeroWatch::deflection(double zero_counts) const {
  if (!lowest_) return 0;
  return std::max(std::abs(*lowest_ - zero_counts), std::abs(*highest_ - zero_counts));
}

}  // namespace loadline
