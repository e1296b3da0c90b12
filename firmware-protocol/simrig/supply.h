// The mains (or the battery) of the simulated bench: slow wander, settings, the instant's voltage.
#pragma once

#include "firmware-protocol/simrig/dice.h"
#include "firmware-protocol/simrig/scenario.h"

namespace loadline::simrig {

class Supply {
 public:
  Supply(const SupplySpec& spec, std::uint64_t seed);

  /// Open-circuit rms (or d.c.) voltage for a setting of `volts` at present.
  double rms(double volts) const { return volts * (1.0 + wander_.value()); }
  /// Instantaneous voltage at `time_s` for that rms value.
  double instant(double rms_volts, double time_s) const;
  /// Moves the wander on by kWanderStep.
  void advance() { wander_.advance(); }

  static constexpr double kWanderStep = 0.01;

 private:
  double hz_;
  Wander wander_;
};

}  // namespace loadline::simrig
