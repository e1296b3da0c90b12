// A motor's curve on another supply, and with a pedal in its circuit.
//
// What each equation allows stands in the table of them (fit/curves/motor_equation.h): by which
// power of voltage and frequency a parameter goes, and to which one a resistance r in series adds
// (of a series motor r/K to ω₀, with K = V²/A). A spline has no physics to move by.
// All of it neglects saturation, so it holds for some tens of per cent in voltage, not for a
// factor.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "fit/drive/drive_curve.h"

namespace loadline {

/// How the pedal slows the motor.
enum class Pedal {
  kResistance,  ///< a resistance in series: rheostat or carbon pile
  kVoltage,  ///< lowered voltage: a transformer. Not electronics: with phase angle a series motor
             ///< gives 0.16 to 0.55 of the torque that a sine of that rms voltage would give,
             ///< with a half-wave diode 1.12 to 1.26 (time-domain calculation)
};

bool supports_voltage(const DriveCurve& motor);
bool supports_frequency(const DriveCurve& motor);
bool supports_pedal(const DriveCurve& motor, Pedal pedal);

/// The curve at `factor` times its voltage. std::logic_error unless supports_voltage.
DriveCurve with_voltage(const DriveCurve& motor, const Propagated& factor);
/// The curve at `factor` times its frequency. std::logic_error unless supports_frequency.
DriveCurve with_frequency(const DriveCurve& motor, double factor);
/// The curve with `setting` of the pedal: r/K in rad/s (0 = none) for a resistance, the fraction of
/// the voltage (1 = all) for a voltage.
DriveCurve with_pedal(const DriveCurve& motor, Pedal pedal, const Propagated& setting);

/// A wanted change of supply, in words of the user.
struct SupplyWish {
  std::optional<double> volts;
  std::optional<double> hertz;
  std::optional<double> rated_hertz;  ///< of the motor as it was measured
};

/// Moves the curve as wished and appends warnings (model limits, far from the measured voltage).
/// Error(kInput) where the curve cannot be moved: unknown voltage, or a model without physics.
DriveCurve moved_to_supply(const DriveCurve& motor, const SupplyWish& wish,
                           const std::string& motor_name, std::vector<std::string>& warnings);

}  // namespace loadline
