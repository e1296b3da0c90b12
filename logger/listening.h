// Listening to a rig without recording: for probe, zero and calibrate.
#pragma once

#include <functional>
#include <memory>
#include <thread>

#include "logger/intake.h"
#include "logger/rig_line.h"

namespace loadline {

/// Starts the rig and reads it in a thread of its own until destroyed. One thread uses it.
class Listening {
 public:
  /// `line` must outlive this. Error(kRig) when no rig answers.
  Listening(Clock& clock, RigLine& line, const IntakeOptions& options = {});
  ~Listening();
  Listening(const Listening&) = delete;
  Listening& operator=(const Listening&) = delete;

  /// Everything that comes within `seconds` of the rig's time from now on, or until the input ends
  /// or `enough` (asked several times a second; may be empty) says so. Error(kRig) when nothing
  /// comes or the rig falls silent.
  Haul gather(double seconds, const std::function<bool()>& enough = {});
  std::optional<WireIdentity> identity() const { return intake_.identity(); }
  LineCounts counts() const { return intake_.counts(); }
  std::string damaged_example() const { return intake_.damaged_example(); }
  /// Whom to show what comes; must outlive this.
  void attach(LiveMeter* meter) { intake_.attach(meter); }
  bool ended() const { return intake_.end() != LineEnd::kNotYet; }
  double tick_hz() const;
  Intake::Span span() const { return intake_.span(); }

 private:
  [[noreturn]] void complain() const;
  double reached_s(const Haul& haul) const;

  RigLine& line_;
  Mailbox mailbox_;
  Intake intake_;
  std::thread thread_;
};

}  // namespace loadline
