// A rig that gives samples in real time and tells, in memory shared with a parent process, how far
// it has come. For the tests that stop or kill a recording.
#pragma once

#include <sys/mman.h>

#include <atomic>
#include <chrono>
#include <new>
#include <thread>

#include "tests/logger/support/played_rig.h"

namespace loadline {

/// Shared between processes forked after its making.
class SharedCount {
 public:
  SharedCount()
      : count_(new (::mmap(nullptr, sizeof(std::atomic<std::int64_t>), PROT_READ | PROT_WRITE,
                           MAP_SHARED | MAP_ANONYMOUS, -1, 0)) std::atomic<std::int64_t>(0)) {}
  ~SharedCount() { ::munmap(count_, sizeof *count_); }
  SharedCount(const SharedCount&) = delete;
  SharedCount& operator=(const SharedCount&) = delete;
  std::atomic<std::int64_t>& operator*() { return *count_; }

 private:
  std::atomic<std::int64_t>* count_;
};

/// One-way, live; 1,000 samples a second for `seconds`, then the end.
class PacedRig : public Port {
 public:
  PacedRig(double seconds, std::atomic<std::int64_t>& handed_out)
      : most_(static_cast<std::uint32_t>(seconds * 1000)), handed_out_(handed_out) {
    identity_.converter_millihertz = 1'000'000;
    writer_.identity(identity_);
  }
  Got read(std::span<std::uint8_t> into, std::chrono::milliseconds) override {
    std::this_thread::sleep_for(std::chrono::milliseconds(5));
    const std::chrono::duration<double> since = std::chrono::steady_clock::now() - began_;
    const auto due = std::min(most_, static_cast<std::uint32_t>(since.count() * 1000));
    if (number_ == most_) return {Outcome::kEnd};
    while (number_ < due && writer_.bytes.size() + kWireMaxFrame < into.size()) {
      writer_.sample(usual_sample(number_, number_ * 2'000, identity_));
      ++number_;
    }
    if (writer_.bytes.empty()) return {Outcome::kQuiet};
    std::copy(writer_.bytes.begin(), writer_.bytes.end(), into.begin());
    const Got got{Outcome::kBytes, writer_.bytes.size()};
    writer_.bytes.clear();
    handed_out_.store(number_);
    return got;
  }
  void write(std::span<const std::uint8_t>) override {}
  bool two_way() const override { return false; }
  bool live() const override { return true; }
  bool reopen() override { return false; }
  void wake() override {}
  const std::string& path() const override { return path_; }

 private:
  const std::uint32_t most_;
  std::atomic<std::int64_t>& handed_out_;
  std::chrono::steady_clock::time_point began_ = std::chrono::steady_clock::now();
  WireIdentity identity_ = usual_identity();
  FrameWriter writer_;
  std::uint32_t number_ = 0;
  std::string path_ = "paced rig";
};

}  // namespace loadline
