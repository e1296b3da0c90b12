// From the bytes of the line to what the book keeps: samples with unwrapped ticks and counters,
// and events for everything that went wrong on the way.
//
// The rule is that no wrong number enters the book. The checksum lets one damaged frame in 65,536
// through, so a sample must also fit its neighbours: its number, its tick and its edge counts must
// go on from the last one as the rig's own pace allows. A sample that does not is held back until
// the next one confirms it (then something happened on the line, and an event says what) or does
// not (then it was damaged, and is counted as implausible).
//
// Threads: a LineReader belongs to one thread at a time.
#pragma once

#include <chrono>
#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "db/records.h"
#include "firmware-protocol/messages.h"

namespace loadline {

/// What came out of some bytes. Events carry no run yet (0).
struct Haul {
  std::vector<Sample> samples;
  std::vector<ImportedReading> readings;
  std::vector<RunEvent> events;

  bool empty() const { return samples.empty() && readings.empty() && events.empty(); }
  void clear();
};

/// Since the reader was made.
struct LineCounts {
  std::uint64_t bytes = 0;
  std::uint64_t whole = 0;        ///< frames (or lines) that arrived whole
  std::uint64_t samples = 0;      ///< delivered
  std::uint64_t lost = 0;         ///< samples that the rig made and that did not arrive
  std::uint64_t repeated = 0;     ///< arrived twice; delivered once
  std::uint64_t damaged = 0;      ///< frames thrown away by the codec, or lines that do not read
  std::uint64_t implausible = 0;  ///< sound by checksum, contradicted by their neighbours
  std::uint64_t resets = 0;
};

/// What a sensor on a sound input gave.
struct SensorFindings {
  std::uint64_t edges = 0, lost = 0, doubled = 0;
  double timing_s = 0;       ///< usual standard uncertainty of an edge by noise
  std::uint64_t slower = 0;  ///< edges while the shaft was slower than before by 3 % or more
};

/// What a take of a sound input showed of itself.
struct SoundFindings : SensorFindings {
  int rate_hz = 0;
  std::optional<SensorFindings> other;  ///< of the other channel's sensor, where there is one
  std::string other_shaft;              ///< "motor" or "hand wheel"
  double clock_sd_ppm = 0;  ///< standard uncertainty of the sound input's clock, millionths
  bool clipped = false;     ///< the level went to the limit now and then
  std::string take_hash;    ///< SHA-256 of the file, or of what came through the pipe
};

class LineReader {
 public:
  virtual ~LineReader() = default;
  /// Takes bytes that arrived at `host_now` (any clock that never falls; zero when replaying).
  virtual void take(std::span<const std::uint8_t> bytes, std::chrono::nanoseconds host_now,
                    Haul& into) = 0;
  /// The line is over: gives out what was held back and still fits.
  virtual void finish(Haul& into) = 0;
  /// The line was cut and is back: what was half received is void.
  virtual void line_was_cut() = 0;
  /// Forgets the samples so far: a new run begins.
  virtual void begin_run() = 0;
  /// True where the rig understands the commands of the wire.
  virtual bool takes_commands() const = 0;
  /// True once samples can be understood: a rig has said who it is (lines need no introduction).
  virtual bool introduced() const = 0;
  /// Empty for rigs that print lines.
  virtual const std::optional<WireIdentity>& identity() const = 0;
  /// The latest status message since begin_run(), if any.
  virtual const std::optional<WireStatus>& status() const = 0;
  /// True when the rig has said since begin_run() that it has stopped sending by itself.
  virtual bool rig_stopped() const = 0;
  /// True when the rig was reset and waits for a start.
  virtual bool rig_waits_for_start() const = 0;
  /// Ticks per second of the ticks in samples and events.
  virtual double tick_hz() const = 0;
  virtual LineCounts counts() const = 0;
  /// What a damaged line looked like, for people; empty when there was none.
  virtual std::string damaged_example() const { return {}; }
  /// Only of a sound input.
  virtual std::optional<SoundFindings> sound() const { return std::nullopt; }
};

}  // namespace loadline
