// Whether a sample from the line fits the ones before it, and where it lies on the run's own
// unwrapped time and counters.
#pragma once

#include <chrono>
#include <optional>
#include <string>

#include "logger/line/line_reader.h"

namespace loadline {

/// Bounds of what a bench can do; a sample outside them is damaged, whatever its checksum says.
struct PlausibleBench {
  double highest_rpm = 120'000;  ///< of either shaft; the fastest motors here stay below 40,000
  std::int32_t converter_limit = 1 << 23;  ///< counts of a 24-bit converter lie within ±this
  std::int32_t adc_limit = 1 << 24;        ///< supply and temperature counts
  /// Factor by which the time between samples may differ from the pace before a sample waits for
  /// confirmation. Hobby converters keep their rate within a few per cent; jitter of the sending
  /// does not matter, since ticks are taken at the conversion.
  double pace_tolerance = 0.5;
};

class SampleChain {
 public:
  explicit SampleChain(const PlausibleBench& bench = {}) : bench_(bench) {}

  /// Must be called before the first sample, and again when the rig introduces itself anew.
  void describe(const WireIdentity& identity);
  /// Forgets all samples.
  void begin_run();
  /// A sample that passed the codec. `host_now` as in LineReader::take.
  void take(const WireSample& sample, std::chrono::nanoseconds host_now, Haul& into);
  /// The rig says that it was reset: the next sample starts a new count.
  void expect_reset(std::string cause, Haul& into);
  /// The line is over.
  void finish(Haul& into);

  std::uint64_t delivered() const { return delivered_; }
  std::uint64_t lost() const { return lost_; }
  std::uint64_t repeated() const { return repeated_; }
  std::uint64_t implausible() const { return implausible_; }
  std::uint64_t resets() const { return resets_; }
  /// Tick of the last sample given out, from run start.
  std::int64_t last_tick() const { return last_tick_; }
  bool started() const { return last_.has_value(); }
  /// The last sample given out, as it came from the line; only when started().
  const WireSample& last_raw() const { return last_->sample; }

 private:
  struct Arrived {
    WireSample sample;
    std::chrono::nanoseconds host;
  };
  enum class Fit { kNext, kLater, kRepeated, kNot };
  /// Edges since the first sample of the run, and where the last of them lies.
  struct Tachometer {
    std::int64_t edges = 0;
    std::int64_t last_edge_tick = 0;
    bool moved = false;

    void advance(std::uint32_t before, std::uint32_t after);
    void begin_anew(std::uint32_t now, std::uint32_t before, bool went_on);
    void place_last_edge(std::int64_t run_tick, std::uint32_t tick, std::uint32_t edge_tick);
  };

  bool sound_by_itself(const WireSample& sample) const;
  Fit fit(const WireSample& before, const WireSample& after) const;
  bool edges_fit(const WireSample& before, const WireSample& after, double seconds) const;
  double seconds_between(const WireSample& before, const WireSample& after) const;
  double pace() const;
  void confirm_or_hold(const Arrived& arrived, Haul& into);
  void accept_first(const Arrived& arrived, Haul& into);
  void accept_next(const Arrived& arrived, Haul& into);
  void accept_after_reset(const Arrived& arrived, Haul& into);
  void give_out(const Arrived& arrived, Haul& into);

  PlausibleBench bench_;
  WireIdentity identity_ = {};
  double measured_pace_s_ = 0;  // seconds per sample number, 0 while unknown
  std::optional<Arrived> last_;
  std::optional<Arrived> held_;
  std::optional<std::string> reset_cause_;  // set while a reset is announced
  // Unwrapped position of last_, relative to the first sample of the run.
  std::int64_t last_tick_ = 0;
  Tachometer motor_;
  Tachometer handwheel_;
  std::uint64_t delivered_ = 0;
  std::uint64_t lost_ = 0;
  std::uint64_t repeated_ = 0;
  std::uint64_t implausible_ = 0;
  std::uint64_t resets_ = 0;
};

}  // namespace loadline
