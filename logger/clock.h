// Time, handed in: the recorder never asks the operating system itself, so that a test of a
// ten-second silence takes no ten seconds.
#pragma once

#include <atomic>
#include <chrono>
#include <string>

namespace loadline {

/// All calls may come from any thread.
class Clock {
 public:
  virtual ~Clock() = default;
  /// Time since some fixed moment; never falls, not even when the wall clock is set.
  virtual std::chrono::nanoseconds now() const = 0;
  /// Wall-clock time as "2026-11-25T18:03:11Z".
  virtual std::string utc() const = 0;
  /// Returns after `span` has passed.
  virtual void sleep_for(std::chrono::nanoseconds span) = 0;
};

/// The operating system's clock.
class SystemClock : public Clock {
 public:
  std::chrono::nanoseconds now() const override;
  std::string utc() const override;
  void sleep_for(std::chrono::nanoseconds span) override;
};

/// Stands still until it is told to advance; sleeping advances it at once.
class SimulatedClock : public Clock {
 public:
  std::chrono::nanoseconds now() const override { return std::chrono::nanoseconds(now_.load()); }
  std::string utc() const override;
  void sleep_for(std::chrono::nanoseconds span) override { advance(span); }
  void advance(std::chrono::nanoseconds span) { now_ += span.count(); }

 private:
  std::atomic<std::int64_t> now_{0};
};

}  // namespace loadline
