// The LineReader for rigs that speak firmware-protocol/wire.md.
#pragma once

#include "logger/line/line_reader.h"
#include "logger/line/sample_chain.h"

namespace loadline {

class FrameReader : public LineReader {
 public:
  FrameReader();
  void take(std::span<const std::uint8_t> bytes, std::chrono::nanoseconds host_now,
            Haul& into) override;
  void finish(Haul& into) override;
  void line_was_cut() override;
  void begin_run() override;
  bool takes_commands() const override { return true; }
  bool introduced() const override { return identity_.has_value(); }
  const std::optional<WireIdentity>& identity() const override { return identity_; }
  const std::optional<WireStatus>& status() const override { return status_; }
  bool rig_stopped() const override { return stopped_; }
  bool rig_waits_for_start() const override { return waits_for_start_; }
  double tick_hz() const override;
  LineCounts counts() const override;

 private:
  void take_frame(const WireFrame& frame, Haul& into);
  void take_identity(const WireFrame& frame, Haul& into);
  void take_status(const WireFrame& frame, Haul& into);
  void take_error(const WireFrame& frame, Haul& into);
  void report_losses_of_the_rig(const WireStatus& before, const WireStatus& now, Haul& into);
  void event(Haul& into, EventKind kind, std::string detail) const;

  WireDecoder decoder_ = {};
  std::optional<WireIdentity> identity_;
  std::optional<WireStatus> status_;
  SampleChain chain_;
  std::chrono::nanoseconds host_now_{0};
  std::uint64_t unreadable_ = 0;  // sound frames whose payload contradicts itself
  std::uint64_t bytes_ = 0;
  bool stopped_ = false;
  bool waits_for_start_ = false;
};

/// A command frame (who-are-you, start, stop) ready to be written.
std::vector<std::uint8_t> command_frame(std::uint8_t type, std::uint8_t sequence,
                                        const std::string& text = {});

/// An identity as a frame: the first bytes of a capture that must be readable by itself.
std::vector<std::uint8_t> identity_frame(const WireIdentity& identity);

}  // namespace loadline
