// A rig on a pseudo-terminal that sends samples as quickly as they are taken, or at a pace.
//   frame_player LINK SAMPLES [PACE]   plays until SAMPLES are sent (PACE of them a second)
//
// By its ticks it is a rig of 1,000 samples a second; the motor runs up and down between 1,000 and
// 9,000 rpm while the load cell sees a noisy torque. At the end it says how often it found no room
// on the line: a real rig would have lost samples there.
#include <array>
#include <chrono>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <random>
#include <thread>

#include "firmware-protocol/simrig/pseudo_terminal.h"
#include "tests/logger/support/frame_writer.h"

using loadline::simrig::PseudoTerminal;

namespace {

constexpr std::uint32_t kTickHz = 2'000'000, kTicksPerSample = 2'000;
constexpr std::size_t kPortion = 1 << 14;  // bytes

class Rig {
 public:
  explicit Rig(PseudoTerminal& line) : line_(line) {
    identity_.converter_millihertz = 1'000'000;
    identity_.cell_delay_us = 2'000;
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
      stopped_ = !started;
      tell_status(started);
    }
    return flush() && started;
  }
  void sample() {
    WireSample sample = {};
    sample.number = number_;
    const std::uint64_t tick = std::uint64_t{number_} * kTicksPerSample;
    sample.tick = static_cast<std::uint32_t>(tick);
    sample.channels = identity_.channels;
    const double share =
        std::fabs(std::fmod(static_cast<double>(tick) / kTickHz / 40, 2) - 1);  // 40 s each way
    const double turns_per_tick = (17 + 133 * share) / kTickHz;
    turns_ += turns_per_tick * kTicksPerSample;
    sample.torque_counts =
        static_cast<std::int32_t>(400'000 - 300'000 * share) + noise_[number_ % noise_.size()];
    const auto edges = static_cast<std::uint64_t>(4 * turns_);
    if (edges != edges_) {
      const double since = 4 * turns_ - static_cast<double>(edges);
      edge_tick_ = sample.tick - static_cast<std::uint32_t>(since / 4 / turns_per_tick);
    }
    edges_ = edges;
    sample.motor_edges = static_cast<std::uint32_t>(edges);
    sample.motor_edge_tick = edge_tick_;
    ++number_;
    writer_.sample(sample);
  }
  void tell_status(bool streaming) {
    WireStatus status = {};
    status.streaming = streaming;
    status.samples = number_;
    writer_.status(status);
  }
  bool stopped() const { return stopped_; }
  unsigned long stalls() const { return stalls_; }
  bool full() const { return writer_.bytes.size() > kPortion; }
  /// False when nobody takes the bytes any longer.
  bool flush() {
    std::size_t sent = 0;
    while (sent < writer_.bytes.size()) {
      const std::size_t left = writer_.bytes.size() - sent;
      const std::size_t taken = line_.write_some(writer_.bytes.data() + sent, left);
      sent += taken;
      if (taken == left) continue;
      ++stalls_;
      if (!line_.wait(5000, true)) return false;
    }
    writer_.bytes.clear();
    return true;
  }

 private:
  void introduce() {
    writer_.identity(identity_);
    tell_status(false);
  }

  PseudoTerminal& line_;
  WireIdentity identity_ = loadline::usual_identity();
  loadline::FrameWriter writer_;
  WireDecoder commands_ = {};
  std::mt19937 random_{1};
  std::array<std::int32_t, 4096> noise_;
  double turns_ = 0;
  std::uint64_t edges_ = 0;
  std::uint32_t edge_tick_ = 0;
  std::uint32_t number_ = 0;
  bool stopped_ = false;
  unsigned long stalls_ = 0;
};

}  // namespace

int main(int argc, char** argv) {
  if (argc < 3) return std::fprintf(stderr, "frame_player LINK SAMPLES [PACE]\n"), 2;
  const auto samples = std::strtoul(argv[2], nullptr, 10);
  const double pace = argc > 3 ? std::strtod(argv[3], nullptr) : 0;
  const unsigned long portion = 1 + static_cast<unsigned long>(pace / 1000);
  PseudoTerminal line(argv[1]);
  Rig rig(line);
  const auto patience = std::chrono::steady_clock::now() + std::chrono::seconds(60);
  while (!rig.obey(100))
    if (std::chrono::steady_clock::now() > patience) return 1;
  const auto began = std::chrono::steady_clock::now();
  for (unsigned long k = 0; k < samples; ++k) {
    rig.sample();
    const bool portion_ends = pace > 0 && k % portion == 0;
    if (portion_ends)
      std::this_thread::sleep_until(began +
                                    std::chrono::duration<double>(static_cast<double>(k) / pace));
    if ((portion_ends || rig.full()) && !rig.flush()) return 1;
    if (portion_ends && k % 16 == 0) rig.obey(0);
    if (rig.stopped()) break;
  }
  if (pace > 0) std::fprintf(stderr, "found no room %lu times\n", rig.stalls());
  rig.tell_status(false);
  rig.flush();
  // The last bytes are lost when this end closes before they are taken.
  while (line.has_reader() && std::chrono::steady_clock::now() < patience + std::chrono::hours(1))
    rig.obey(20);
  return 0;
}
