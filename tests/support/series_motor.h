// A series motor as a formula, and what is true of it, by a search of its own.
#pragma once

#include <array>
#include <utility>

#include "fit/motors/motor_fit.h"
#include "tests/support/bench_rows.h"

namespace loadline::tests {

/// A/((ω+ω₀)²+ωₓ²) less friction and fan.
struct SeriesMotor {
  double stall, omega_0, omega_x, friction, fan;
  double operator()(double w) const {
    const double a = stall * (omega_0 * omega_0 + omega_x * omega_x);
    return a / ((w + omega_0) * (w + omega_0) + omega_x * omega_x) - friction - fan * w * w;
  }
};

struct MotorTruth {
  double stall, no_load_rpm = 0, peak_power = 0, peak_rpm = 0;
  template <typename Motor>
  explicit MotorTruth(const Motor& motor) : stall(motor(0)) {
    for (double w = 1; motor(w) > 0; w += 0.05) {
      no_load_rpm = w * kRpm;
      if (motor(w) * w <= peak_power) continue;
      peak_power = motor(w) * w;
      peak_rpm = w * kRpm;
    }
  }
};

/// The four results of a motor, which must outlive this, each with what is true.
inline std::array<std::pair<const Estimate*, double>, 4> beside_truth(const MotorFit& fit,
                                                                      const MotorTruth& truth) {
  return {{{&fit.stall_torque, truth.stall},
           {&fit.no_load_speed, truth.no_load_rpm},
           {&fit.peak_power, truth.peak_power},
           {&fit.peak_power_speed, truth.peak_rpm}}};
}

}  // namespace loadline::tests
