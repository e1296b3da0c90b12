// The LineReader for a sound input: edges found in the sound become samples as a rig would send
// them, one for each edge, with ticks fine enough for a small part of a sound sample.
#pragma once

#include <array>
#include <memory>
#include <string>

#include "logger/line/line_reader.h"
#include "logger/sound/pulse_finder.h"
#include "logger/sound/sound_port.h"

namespace loadline {

struct SoundOptions {
  double pulses = 0;        ///< marks a turn
  double other_pulses = 0;  ///< of the other shaft, on the other channel; 0 for none
  /// No marks: the noise of the shaft itself is followed, whose highest speed is about this.
  std::optional<double> tone_top_rpm;
  bool needs_range = false;  ///< of a tone: must be followed down to low speeds, else it is refused
  std::optional<SoundPort::Channel> channel;  ///< of the (first) sensor, where there are two
  std::optional<int> raw_hz;                  ///< bare samples, so many a second
  bool of_motor = false;  ///< the sensor looks at the motor's shaft, else at the hand wheel
  /// How fast the sound input's clock runs, in millionths, where that was checked.
  std::optional<double> clock_ppm;
};

class SoundReader : public LineReader {
 public:
  /// `port` must outlive the reader.
  SoundReader(const SoundPort& port, const SoundOptions& options);

  void take(std::span<const std::uint8_t> bytes, std::chrono::nanoseconds host_now,
            Haul& into) override;
  /// Error(kInput) when the take held no pulses of any sensor.
  void finish(Haul& into) override;
  void line_was_cut() override {}
  void begin_run() override {}
  bool takes_commands() const override { return true; }
  bool introduced() const override { return identity_.has_value(); }
  const std::optional<WireIdentity>& identity() const override { return identity_; }
  const std::optional<WireStatus>& status() const override { return status_; }
  bool rig_stopped() const override { return false; }
  bool rig_waits_for_start() const override { return false; }
  double tick_hz() const override;
  LineCounts counts() const override;
  std::optional<SoundFindings> sound() const override;

 private:
  /// One channel with a sensor on it.
  struct Ear {
    bool of_motor = false;
    std::unique_ptr<PulseFinder> finder;
    std::vector<float> samples;
    std::vector<SoundEdge> edges;  // found, not yet given out
    std::int64_t count = 0;
    std::optional<std::int64_t> last_tick;
    std::uint64_t at_limit = 0, slower = 0;
    double shortest = 1e300;  // period so far, samples
  };
  void begin();
  std::span<Ear> ears() { return std::span(ears_).first(options_.other_pulses > 0 ? 2 : 1); }
  void hear(std::span<const std::uint8_t> bytes);
  void deliver(Haul& into);
  void add_sample(std::int64_t tick, Haul& into);
  SensorFindings findings(const Ear& ear) const;
  std::string words() const;
  void follow();

  const SoundPort& port_;
  SoundOptions options_;
  std::optional<WireIdentity> identity_;
  std::optional<WireStatus> status_;
  std::array<Ear, 2> ears_;   // of the run's shaft; of the other one
  std::vector<float> whole_;  // of a take whose tone is followed
  double tone_sd_s_ = 0;
  int ticks_per_sample_ = 1;
  std::int64_t last_tick_ = -1;
  std::uint64_t bytes_ = 0, blocks_ = 0, delivered_ = 0, taken_ = 0;
  bool finished_ = false;
};

}  // namespace loadline
