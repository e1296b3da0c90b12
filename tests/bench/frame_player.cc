// A rig on a pseudo-terminal that sends samples as quickly as they are taken, or at a pace.
//   frame_player LINK SAMPLES [RATE]   plays until SAMPLES are sent (RATE of them a second)
//
// The motor runs up and down between 1,000 and 9,000 rpm while the load cell sees a noisy torque;
// samples are RATE (else 1,000) a second apart by their ticks.
#include <array>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <random>
#include <thread>

#include "firmware-protocol/messages.h"
#include "firmware-protocol/simrig/pseudo_terminal.h"

using loadline::simrig::PseudoTerminal;

namespace {

constexpr std::uint32_t kTickHz = 2'000'000;

class Rig {
 public:
  Rig(PseudoTerminal& line, double per_second) : line_(line) {
    identity_.board_number = 7;
    identity_.tick_hz = kTickHz;
    identity_.channels = kWireLoadCell | kWireMotorTach;
    identity_.cell_position = kWireCellOnBrake;
    identity_.motor_pulses_per_turn = 4;
    identity_.converter_millihertz = static_cast<std::uint32_t>(1000 * per_second);
    identity_.cell_delay_us = 2'000;
    identity_.arm_um = 100'000;
    std::snprintf(identity_.firmware, sizeof identity_.firmware, "frame player");
    ticks_per_sample_ = kTickHz / per_second;
    for (std::int32_t& value : noise_) value = static_cast<std::int32_t>(random_() % 801) - 400;
  }

  /// Answers what has come; true once the rig was told to start.
  bool obey(int timeout_ms) {
    bool started = false;
    for (const std::uint8_t byte : line_.read(timeout_ms)) {
      WireFrame frame;
      if (!wire_decoder_take(&commands_, byte, &frame)) continue;
      if (frame.type == kWireWhoAreYou) introduce();
      if (frame.type != kWireStart && frame.type != kWireStop) continue;
      started = frame.type == kWireStart;
      tell_status(started);
    }
    return flush() && started;
  }
  void sample() {
    WireSample sample = {};
    sample.number = number_;
    const double tick = number_ * ticks_per_sample_;
    sample.tick = static_cast<std::uint32_t>(static_cast<std::uint64_t>(tick));
    sample.channels = identity_.channels;
    const double share = std::fabs(std::fmod(tick / kTickHz / 40, 2) - 1);  // 40 s each way
    turns_ += (17 + 133 * share) * ticks_per_sample_ / kTickHz;
    sample.torque_counts =
        static_cast<std::int32_t>(400'000 - 300'000 * share) + noise_[number_ % noise_.size()];
    sample.motor_edges = static_cast<std::uint32_t>(static_cast<std::uint64_t>(turns_ * 4));
    sample.motor_edge_tick = sample.tick - number_ * 7919u % 3000u;
    ++number_;
    std::uint8_t payload[kWireMaxPayload];
    frame(kWireSample, payload, wire_sample_pack(&sample, payload));
  }
  void tell_status(bool streaming) {
    WireStatus status = {};
    status.streaming = streaming;
    status.samples = number_;
    std::uint8_t payload[kWireMaxPayload];
    frame(kWireStatus, payload, wire_status_pack(&status, payload));
  }
  bool full() const { return used_ + 2 * kWireMaxFrame > sizeof buffer_; }
  /// False when nobody takes the bytes any longer.
  bool flush() {
    std::size_t sent = 0;
    while (sent < used_) {
      sent += line_.write_some(buffer_ + sent, used_ - sent);
      if (sent < used_ && !line_.wait(5000, true)) return false;
    }
    used_ = 0;
    return true;
  }

 private:
  void introduce() {
    std::uint8_t payload[kWireMaxPayload];
    frame(kWireIdentity, payload, wire_identity_pack(&identity_, payload));
    tell_status(false);
  }
  void frame(std::uint8_t type, const std::uint8_t* payload, std::uint8_t size) {
    used_ += wire_frame_encode(type, sequence_++, payload, size, buffer_ + used_,
                               sizeof buffer_ - used_);
  }

  PseudoTerminal& line_;
  WireIdentity identity_ = {};
  WireDecoder commands_ = {};
  std::mt19937 random_{1};
  std::array<std::int32_t, 4096> noise_;
  double ticks_per_sample_ = 0, turns_ = 0;
  std::uint32_t number_ = 0;
  std::uint8_t sequence_ = 0;
  std::uint8_t buffer_[1 << 14];
  std::size_t used_ = 0;
};

}  // namespace

int main(int argc, char** argv) {
  if (argc < 3) return std::fprintf(stderr, "frame_player LINK SAMPLES [RATE]\n"), 2;
  const auto samples = std::strtoul(argv[2], nullptr, 10);
  const double rate = argc > 3 ? std::strtod(argv[3], nullptr) : 0;
  PseudoTerminal line(argv[1]);
  Rig rig(line, rate > 0 ? rate : 1000);
  const auto patience = std::chrono::steady_clock::now() + std::chrono::seconds(60);
  while (!rig.obey(100))
    if (std::chrono::steady_clock::now() > patience) return 1;
  const auto began = std::chrono::steady_clock::now();
  for (unsigned long k = 0; k < samples; ++k) {
    rig.sample();
    if (rate > 0)
      std::this_thread::sleep_until(began +
                                    std::chrono::duration<double>(static_cast<double>(k) / rate));
    if ((rate > 0 || rig.full()) && !rig.flush()) return 1;
  }
  rig.tell_status(false);
  rig.flush();
  // The last bytes are lost when this end closes before they are taken.
  while (line.has_reader() && std::chrono::steady_clock::now() < patience + std::chrono::hours(1))
    rig.obey(20);
  return 0;
}
