// What motors with a turning field have in common, on one phase or three: the laws of their first
// three parameters, and the slips from which a fit begins.
//
// The breakdown torque goes with V²; the synchronous speed with f, and with the leakage reactance,
// which goes with f, the breakdown torque with 1/f² and its slip with 1/f. That slip goes with the
// rotor's resistance, which is taken to be as warm as the winding.
#pragma once

#include <string>
#include <vector>

#include "fit/equations/motor_equation.h"

namespace loadline {

inline constexpr double kSlipsToBeginWith[] = {0.08, 0.2, 0.5};

/// Breakdown torque, its slip, synchronous speed, with what the first two mean for this motor.
inline std::vector<MotorParameter> turning_field(const std::string& torque,
                                                 const std::string& slip) {
  return {{.name = "breakdown",
           .symbol = "T_b",
           .unit = "N·m",
           .meaning = torque,
           .by_torque = 1,
           .by_voltage = 2,
           .by_frequency = -2},
          {.name = "slip_b",
           .symbol = "s_b",
           .unit = "",
           .meaning = slip,
           .by_frequency = -1,
           .by_resistance = 1},
          {.name = "omega_s",
           .symbol = "ω_s",
           .unit = "rad/s",
           .meaning = "synchronous speed",
           .by_frequency = 1}};
}

}  // namespace loadline
