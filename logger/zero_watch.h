// The load cell's zero before and after a run, found in the run itself: the mean count while
// nothing turns.
//
// At rest means that no tachometer gives an edge. That a shaft is held under load looks the same,
// so a zero is believed only when it agrees with what is known of the cell: with the zero before,
// or with the rig's last zero. What is not believed is left out, and the reason said.
//
// Threads: one at a time.
#pragma once

#include <deque>
#include <optional>
#include <span>
#include <string>

#include "db/records.h"

namespace loadline {

/// Mean of single conversions over a stretch at rest.
struct RestMean {
  double mean_counts = 0;
  double sd_counts = 0;  ///< of single conversions
  std::int64_t conversions = 0;
  std::int64_t tick = 0;  ///< middle of the stretch
};

/// Mean and deviation of the load cell over `samples`; empty when under two of them carry a count.
std::optional<RestMean> mean_counts(std::span<const Sample> samples);

class ZeroWatch {
 public:
  explicit ZeroWatch(double tick_hz) : tick_hz_(tick_hz) {}

  void take(std::span<const Sample> samples);
  bool turned() const { return turned_; }
  /// Rest from the beginning of the run to shortly before the first edge; empty before that edge
  /// has come, and when the rest was too short or not steady.
  const std::optional<RestMean>& before() const { return before_; }
  /// Rest since the last edge, without the time in which the cell settles. Empty while it is too
  /// short, or not steady.
  std::optional<RestMean> now() const;
  /// Largest distance of a count from `zero_counts` in the run.
  double deflection(double zero_counts) const;

 private:
  struct Conversion {
    std::int64_t tick;
    std::int32_t counts;
  };
  std::optional<RestMean> mean_until(std::int64_t tick) const;
  bool steady(std::span<const Conversion> conversions, const RestMean& mean) const;

  double tick_hz_;
  std::deque<Conversion> rest_;
  std::optional<RestMean> before_;
  std::int64_t edges_ = 0;
  std::int64_t rest_since_ = 0;
  bool turned_ = false;
  std::optional<std::int32_t> lowest_, highest_;
};

}  // namespace loadline
