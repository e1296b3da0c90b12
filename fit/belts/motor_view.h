// What the motor's own curve says about a belt comparison: the supply's effect on the speed, and
// the torque and power that one belt costs more than another.
#pragma once

#include <optional>
#include <string>

#include "fit/belts/comparison/comparison.h"
#include "fit/curves/curve.h"

namespace loadline {

/// The curve at `factor` times the voltage it stands for: series A ∝ V², induction breakdown torque
/// ∝ V², permanent magnet both stall torque and no-load speed ∝ V. Empty for a model without
/// physics.
std::optional<Curve> at_voltage(const Curve& motor, double factor);

/// d ln(speed) / d ln(supply) where the motor's torque T meets a drag D that grows as speed^p:
/// e = (∂T/∂ln V) / (ω (D′ − T′)) with D = T there. From the machine's curve p is known; without it
/// p lies between 0 and 2, taken as rectangular. `motor_speed` in rad/s; `ratio` = motor speed over
/// hand-wheel speed, used with `drag`. Empty when the curve cannot be moved or has no torque there.
std::optional<KnownEffect> supply_effect_from_curve(const Curve& motor, double motor_speed,
                                                    const Curve* drag, double ratio,
                                                    const std::string& source);

/// Fills extra_torque and extra_power of each belt with a motor speed: what its belt costs more
/// than the best one's, T(ω) − T(ω_best) less what the machine's drag changes by between the two
/// hand-wheel speeds. Without `drag` the machine is taken to need as much at either speed, which
/// makes the figures lower limits; a warning says so. Limits allow for the curve and the speeds'
/// scatter, except where it is unknown.
void add_belt_costs(BeltComparison& comparison, const Curve& motor, const Curve* drag);

}  // namespace loadline
