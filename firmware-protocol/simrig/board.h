// The board of the simulated rig: conversions and edges become frames, commands are answered.
//
// Speaks the wire exactly as wire.md says, through the same codec as the firmware and the host.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "firmware-protocol/messages.h"
#include "firmware-protocol/simrig/bench.h"
#include "firmware-protocol/simrig/scenario.h"

namespace loadline::simrig {

/// One frame, or the zero that clears the line.
using Bytes = std::vector<std::uint8_t>;

class Board {
 public:
  /// Greets as after power-on, unless it goes on as a board that has sent `sequence` frames.
  explicit Board(const Scenario& scenario, std::optional<std::uint8_t> sequence = {});

  /// Bytes from the host; answers are queued.
  void receive(const std::uint8_t* bytes, std::size_t size);
  /// A conversion ended. Queues a sample while streaming, and a status every second. `silent`: the
  /// converter gives nothing; `unsent`: there is no room to send.
  void take(const Moment& moment, bool silent, bool unsent);
  /// The board begins anew at `time_s`: ticks and counts from 0, not streaming, greeting queued.
  void reset(double time_s, std::uint8_t cause);

  /// The bench has nothing more to play: the board stops by itself and says so in a status.
  void finish();

  /// Frames queued since the last call, oldest first.
  std::vector<Bytes> frames();

  bool streaming() const { return streaming_; }
  std::uint8_t sequence() const { return sequence_; }
  /// True once after each start command.
  bool was_started();
  const WireIdentity& identity() const { return identity_; }
  /// The sample that the latest conversion made, sent or not.
  const WireSample& sample() const { return sample_; }
  void set_time(double time_s) { time_s_ = time_s; }

 private:
  void queue(std::uint8_t type, const std::uint8_t* payload, std::uint8_t size);
  void greet();
  void send_identity();
  void send_status();
  void send_error(std::uint8_t code, std::uint8_t about, const char* text);
  void obey(const WireFrame& frame);
  void fill_sample(const Moment& moment, bool silent);
  std::uint32_t tick(double time_s) const;

  Scenario scenario_;
  WireIdentity identity_{};
  WireStatus status_{};
  WireSample sample_{};
  WireDecoder decoder_{};
  std::vector<Bytes> queued_;
  std::uint8_t sequence_ = 0;
  bool streaming_ = false, started_ = false;
  double time_s_ = 0.0, zero_time_s_ = 0.0, next_status_s_ = 0.0;
  std::uint32_t first_tick_ = 0;
  std::uint32_t motor_edges_ = 0, motor_edge_tick_ = 0;
  std::uint32_t handwheel_edges_ = 0, handwheel_edge_tick_ = 0;
  int silent_conversions_ = 0;
};

/// The channels that a scenario's rig has.
std::uint8_t channels_of(const Scenario& scenario);

}  // namespace loadline::simrig
