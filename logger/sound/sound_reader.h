// The LineReader for a sound input: edges found in the sound become samples as a rig would send
// them, one for each edge, with ticks fine enough for a small part of a sound sample.
#pragma once

#include <memory>
#include <string>

#include "logger/line_reader.h"
#include "logger/sound/pulse_finder.h"
#include "logger/sound/sound_port.h"

namespace loadline {

struct SoundOptions {
  double pulses = 0;  ///< marks a turn
  /// No marks: the noise of the shaft itself is followed, whose highest speed is about this.
  std::optional<double> tone_top_rpm;
  bool needs_range = false;  ///< of a tone: must be followed down to low speeds, else it is refused
  std::optional<SoundPort::Channel> channel;
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
  /// Error(kInput) when the take held no pulses.
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
  void begin();
  void deliver(Haul& into);
  void add_sample(std::int64_t tick, std::optional<std::int64_t> edge_tick, Haul& into);
  std::string words() const;
  void follow();

  const SoundPort& port_;
  SoundOptions options_;
  std::optional<WireIdentity> identity_;
  std::optional<WireStatus> status_;
  std::unique_ptr<PulseFinder> finder_;
  std::vector<float> samples_;
  std::vector<SoundEdge> edges_;
  std::vector<float> whole_;  // of a take whose tone is followed
  double tone_sd_s_ = 0;
  int ticks_per_sample_ = 1;
  std::int64_t edge_count_ = 0, last_tick_ = -1;
  std::optional<std::int64_t> last_edge_tick_;
  std::uint64_t bytes_ = 0, blocks_ = 0, delivered_ = 0, taken_ = 0, at_limit_ = 0;
  bool finished_ = false;
};

}  // namespace loadline
