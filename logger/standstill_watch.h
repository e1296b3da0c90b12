// Is the motor held at standstill, and for how long already? A held motor, and one that hardly
// turns, overheats in seconds: its fan stands still too.
#pragma once

#include <optional>

#include "logger/live_meter.h"

namespace loadline {

class StandstillWatch {
 public:
  /// Below one turn a second a motor is taken for held.
  static constexpr double kHardlyTurningRpm = 60;

  /// Takes what the rig reads now; call it some ten times a second.
  void take(const LiveReading& reading);
  /// When the motor came to be held, in the rig's seconds; empty while it turns or carries no
  /// torque.
  std::optional<double> since_s() const { return since_s_; }
  /// For how long it has been held, 0 when it is not.
  double held_s() const { return held_s_; }

 private:
  bool is_held(const LiveReading& reading) const;

  std::optional<double> since_s_;
  double held_s_ = 0;
  double loaded_nm_ = 0;  // largest torque seen
};

}  // namespace loadline
