// The true answers to what is measured on the simulated bench.
//
// Computed from the same equations as the bench by other means (periodic steady state at constant
// speed, root finding), so that a fit can be judged and the bench itself checked.
#pragma once

#include <utility>
#include <vector>

#include "firmware-protocol/simrig/scenario.h"

namespace loadline::simrig {

/// Net torque of a motor over speed at one voltage and winding temperature.
struct MotorTruth {
  double volts = 0.0, winding_c = 0.0;
  double stall_torque = 0.0;   ///< net of own static friction, N·m
  double no_load_speed = 0.0;  ///< rad/s
  double peak_power = 0.0;     ///< W
  double peak_power_speed = 0.0;
  std::vector<std::pair<double, double>> curve;  ///< rad/s, N·m, from 0 to no-load speed
  /// Between the points of the curve by straight lines; beyond no-load by the last one.
  double net_torque(double speed) const;
};
/// `volts` at the source of `supply`, whose resistances count to the circuit.
MotorTruth motor_truth(const MotorSpec& motor, const SupplySpec& supply, double volts,
                       double winding_c);
/// The same with `volts` at the motor's terminals, where the rig measures them: the truth of a
/// curve that is corrected by that channel.
MotorTruth motor_truth_at_terminals(const MotorSpec& motor, SupplySpec supply, double volts,
                                    double winding_c);

/// Where motor and machine meet through the belt, slip and loss included.
struct DriveTruth {
  double motor_speed = 0.0, handwheel_speed = 0.0;  ///< rad/s; 0 when it does not turn
  double shaft_power = 0.0;                         ///< W, at the motor's shaft
  double standstill_torque = 0.0;  ///< N·m at the hand wheel: ratio × stall torque, no belt limit
};
DriveTruth drive_truth(const MotorTruth& motor, const MachineSpec& machine, const BeltSpec& belt,
                       double ratio);

/// The ratio that gives the highest hand-wheel speed, with the same belt; {ratio, rad/s}.
std::pair<double, double> best_ratio(const MotorTruth& motor, const MachineSpec& machine,
                                     const BeltSpec& belt);

}  // namespace loadline::simrig
