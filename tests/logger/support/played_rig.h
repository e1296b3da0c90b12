// A rig in memory for the tests of the logger: it answers commands as firmware-protocol/wire.md
// says, and its line can be spoilt. Time is a SimulatedClock that reading advances.
#pragma once

#include <algorithm>
#include <cmath>
#include <cstdint>
#include <deque>
#include <functional>
#include <mutex>
#include <vector>

#include "logger/clock.h"
#include "logger/line/port.h"
#include "tests/logger/support/frame_writer.h"

namespace loadline {

/// The two-way port with a rig behind it.
class PlayedRig : public Port {
 public:
  explicit PlayedRig(SimulatedClock& clock) : clock_(clock) {}

  // What the test sets before the run.
  WireIdentity identity = usual_identity();
  std::function<WireSample(std::uint32_t, std::uint32_t, const WireIdentity&)> bench = usual_sample;
  bool silent = false;               ///< answers nothing
  std::uint32_t stops_after = 0;     ///< stops by itself after so many samples; 0: never
  std::uint32_t hangs_up_after = 0;  ///< unplugged after so many samples; 0: never
  double unplugged_s = 1;            ///< until reopen() works
  bool reset_by_replug = true;
  std::uint32_t resets_after = 0;  ///< watchdog reset after so many samples; 0: never
  std::uint32_t silent_after = 0;  ///< hangs after so many samples; 0: never
  std::uint32_t first_tick = 1'000'000;
  std::function<void(std::vector<std::uint8_t>&)> spoil;  ///< applied to what is sent

  Got read(std::span<std::uint8_t> into, std::chrono::milliseconds patience) override {
    const std::lock_guard lock(mutex_);
    if (unplugged_) return {Outcome::kHangUp};
    const auto until = clock_.now() + patience;
    while (out_.empty() && clock_.now() < until) {
      if (streaming_ && !silent && next_sample_ <= until) {
        if (next_sample_ > clock_.now()) clock_.advance(next_sample_ - clock_.now());
        make_sample();
      } else {
        clock_.advance(until - clock_.now());
      }
      if (unplugged_) return {Outcome::kHangUp};
    }
    if (out_.empty()) return {Outcome::kQuiet};
    const std::size_t size = std::min(into.size(), out_.size());
    std::copy_n(out_.begin(), size, into.begin());
    out_.erase(out_.begin(), out_.begin() + static_cast<std::ptrdiff_t>(size));
    return {Outcome::kBytes, size};
  }

  void write(std::span<const std::uint8_t> bytes) override {
    const std::lock_guard lock(mutex_);
    WireFrame frame;
    for (const std::uint8_t byte : bytes)
      if (wire_decoder_take(&commands_, byte, &frame) && !silent && !unplugged_) obey(frame.type);
  }
  bool two_way() const override { return true; }
  bool live() const override { return true; }
  bool reopen() override {
    const std::lock_guard lock(mutex_);
    if (clock_.now() < back_at_) return false;
    unplugged_ = false;
    if (reset_by_replug) reset(kWirePowerOn);
    return true;
  }
  void wake() override {}
  const std::string& path() const override { return path_; }

  std::uint32_t made() const { return made_; }

 private:
  std::chrono::nanoseconds pace() const {
    return std::chrono::nanoseconds(1'000'000'000'000 / identity.converter_millihertz);
  }
  std::uint32_t tick() const { return tick_at(clock_.now()); }
  std::uint32_t tick_at(std::chrono::nanoseconds moment) const {
    const double since = std::chrono::duration<double>(moment - booted_).count();
    return first_tick + static_cast<std::uint32_t>(std::llround(since * identity.tick_hz));
  }
  void obey(std::uint8_t type) {
    if (type == kWireWhoAreYou) writer_.identity(identity);
    if (type == kWireStart) {
      streaming_ = true;
      number_ = 0;
      next_sample_ = clock_.now() + pace();
    }
    if (type == kWireStop) streaming_ = false;
    send_status();
  }
  void send_status() {
    WireStatus status = {};
    status.streaming = streaming_;
    status.reset_cause = cause_;
    status.tick = tick();
    status.resets = resets_;
    status.samples = number_;
    writer_.status(status);
    send();
  }
  void send() {
    if (spoil) spoil(writer_.bytes);
    out_.insert(out_.end(), writer_.bytes.begin(), writer_.bytes.end());
    writer_.bytes.clear();
  }
  void make_sample() {
    writer_.sample(bench(number_, tick_at(next_sample_), identity));
    next_sample_ += pace();
    send();
    ++number_;
    ++made_;
    if (made_ == stops_after) {
      streaming_ = false;
      send_status();
    }
    if (made_ == silent_after) silent = true;
    if (made_ == resets_after) {
      ++resets_;
      reset(kWireWatchdog);
    }
    if (made_ == hangs_up_after) {
      unplugged_ = true;
      out_.clear();
      back_at_ = clock_.now() + std::chrono::nanoseconds(std::llround(unplugged_s * 1e9));
    }
  }
  void reset(std::uint8_t cause) {
    cause_ = cause;
    booted_ = clock_.now();
    first_tick = 0;
    number_ = 0;
    streaming_ = false;
    writer_ = FrameWriter();
    writer_.bytes.push_back(0);
    writer_.identity(identity);
    send_status();
  }

  SimulatedClock& clock_;
  std::mutex mutex_;
  std::string path_ = "played rig";
  WireDecoder commands_ = {};
  FrameWriter writer_;
  std::deque<std::uint8_t> out_;
  bool streaming_ = false;
  bool unplugged_ = false;
  std::uint8_t cause_ = kWirePowerOn;
  std::uint32_t number_ = 0;
  std::uint32_t made_ = 0;
  std::uint32_t resets_ = 0;
  std::chrono::nanoseconds booted_{0};
  std::chrono::nanoseconds next_sample_{0};
  std::chrono::nanoseconds back_at_{0};
};

/// A file in memory.
class MemoryFile : public Port {
 public:
  explicit MemoryFile(std::vector<std::uint8_t> bytes) : bytes_(std::move(bytes)) {}
  Got read(std::span<std::uint8_t> into, std::chrono::milliseconds) override {
    const std::size_t size = std::min(into.size(), bytes_.size() - at_);
    if (size == 0) return {Outcome::kEnd};
    std::copy_n(bytes_.begin() + static_cast<std::ptrdiff_t>(at_), size, into.begin());
    at_ += size;
    return {Outcome::kBytes, size};
  }
  void write(std::span<const std::uint8_t>) override {}
  bool two_way() const override { return false; }
  bool live() const override { return false; }
  bool reopen() override { return false; }
  void wake() override {}
  const std::string& path() const override { return path_; }

 private:
  std::vector<std::uint8_t> bytes_;
  std::size_t at_ = 0;
  std::string path_ = "memory";
};

}  // namespace loadline
