// A motor's curve on another supply, and with a pedal in its circuit.
//
// What each equation allows stands in the table of them (fit/equations/motor_equation.h): by which
// power of voltage and frequency a parameter goes, and to which one a resistance r in series adds
// (of a series motor r/K to ω₀, with K = V²/A). A spline has no physics to move by.
// Not all of the supply makes torque. Brushes drop V_b whatever flows, and a curve without friction
// of its own among its parameters (a permanent magnet's) holds the motor's friction T_f in its net
// torque. From V = V_b + (R + kΦ·ω)·I and T = kΦ·I − T_f (any machines text) the net curve at v
// times the voltage is that of the share
//   f = v − b·(1 − v),   b = V_b/V + T_f/T₀,
// of it, where T₀ is the standstill torque: a magnet's T₀ and ωₙ go with f. For the series motor A
// goes with f², b = V_b/V: its friction stands in d₀ to d₂, which no voltage moves. Exact without
// reactance. How much b is a net curve does not tell: see MotorEquation::brush_v.
// All of it neglects saturation, so it holds for some tens of per cent in voltage, not for a
// factor.
#pragma once

#include <array>
#include <optional>
#include <string>
#include <vector>

#include "fit/drive/load_lines/drive_curve.h"

namespace loadline {

/// How the pedal slows the motor.
enum class Pedal {
  kResistance,  ///< a resistance in series: rheostat or carbon pile
  kVoltage,  ///< lowered voltage: a transformer. Not electronics: with phase angle a series motor
             ///< gives 0.16 to 0.55 of the torque that a sine of that rms voltage would give,
             ///< with a half-wave diode 1.12 to 1.26 (time-domain calculation)
  kMarks,    ///< a control that was measured at marks of its pedal (foot_control.h)
};
inline constexpr std::size_t kPedalCount = 3;

/// Something for each pedal.
template <class T>
class ByPedal {
 public:
  T& operator[](Pedal pedal) { return values_[static_cast<std::size_t>(pedal)]; }
  const T& operator[](Pedal pedal) const { return values_[static_cast<std::size_t>(pedal)]; }

 private:
  std::array<T, kPedalCount> values_;
};

/// The model of a curve between two marks of a pedal (foot_control.h).
inline constexpr const char* kBetweenMarks = "between-marks";

bool supports_voltage(const DriveCurve& motor);
bool supports_frequency(const DriveCurve& motor);
bool supports_pedal(const DriveCurve& motor, Pedal pedal);

/// What of the supply makes no torque in a motor of that model on its `supply_v`: value and
/// standard uncertainty. 0 where the supply or the model is not known.
struct LostShare {
  double value = 0, sd = 0;
};
LostShare lost_share(const std::string& model, const std::optional<double>& supply_v);

/// The curve at `factor` times its voltage, what is lost() staying. std::logic_error unless
/// supports_voltage.
DriveCurve with_voltage(const DriveCurve& motor, const Propagated& factor);
/// The curve at `factor` times its frequency, 0 for direct current. std::logic_error unless
/// supports_frequency.
DriveCurve with_frequency(const DriveCurve& motor, double factor);
/// The curve with `setting` of the pedal: r/K in rad/s (0 = none) for a resistance, the fraction of
/// the voltage (1 = all) for a voltage, the position between two marks (1 = the one with more
/// torque) for marks.
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
