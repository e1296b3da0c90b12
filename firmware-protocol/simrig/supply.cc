#include "firmware-protocol/simrig/supply.h"

#include <cmath>
#include <numbers>

namespace loadline::simrig {

Supply::Supply(const SupplySpec& spec, std::uint64_t seed)
    : hz_(spec.hz), wander_(spec.wander_percent / 100.0, spec.wander_s, kWanderStep, {seed, 1}) {}

double Supply::instant(double rms_volts, double time_s) const {
  if (hz_ == 0.0) return rms_volts;
  return rms_volts * std::numbers::sqrt2 * std::sin(2.0 * std::numbers::pi * hz_ * time_s);
}

}  // namespace loadline::simrig
