#include "logger/standstill_watch.h"

#include <algorithm>
#include <cmath>

namespace loadline {
namespace {

/// A shaft at rest carries torque when this share of the largest torque seen is on the arm.
constexpr double kLoadedShare = 0.15;
constexpr double kLeastLoadNm = 0.005;

}  // namespace

void StandstillWatch::take(const LiveReading& reading) {
  if (!reading.torque_nm) return;
  loaded_nm_ = std::max(loaded_nm_, std::abs(*reading.torque_nm));
  if (!is_held(reading)) {
    since_s_.reset();
    held_s_ = 0;
    return;
  }
  if (!since_s_) since_s_ = reading.elapsed_s;
  held_s_ = reading.elapsed_s - *since_s_;
}

bool StandstillWatch::is_held(const LiveReading& reading) const {
  const bool turns =
      !reading.motor_at_rest && (!reading.motor_rpm || *reading.motor_rpm >= kHardlyTurningRpm);
  return !turns && std::abs(*reading.torque_nm) > std::max(kLeastLoadNm, kLoadedShare * loaded_nm_);
}

}  // namespace loadline
