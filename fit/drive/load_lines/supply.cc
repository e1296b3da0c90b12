#include "fit/drive/load_lines/supply.h"

#include <fmt/format.h>

#include <cmath>
#include <stdexcept>

#include "db/basis/error.h"
#include "fit/drive/load_lines/drive_constants.h"
#include "fit/equations/motor_equation.h"

namespace loadline {
namespace {

using namespace drive_chosen;

const MotorEquation* equation_of(const DriveCurve& motor) { return motor_equation(motor.model()); }

// Exact for 0 and below, too.
Propagated whole_power(const Propagated& x, int exponent) {
  Propagated result = 1;
  for (int k = 0; k < std::abs(exponent); ++k) result = result * x;
  return exponent < 0 ? 1.0 / result : result;
}

// Every parameter at `factor` times a condition.
DriveCurve scaled(const DriveCurve& motor, int MotorParameter::*by, const Propagated& factor) {
  DriveCurve moved = motor;
  for (const MotorParameter& parameter : equation_of(motor)->parameters)
    if (parameter.*by != 0)
      moved = moved.with_scaled(parameter.name, whole_power(factor, parameter.*by));
  return moved;
}

DriveCurve at_other_voltage(const DriveCurve& motor, double volts, const std::string& name,
                            std::vector<std::string>& warnings) {
  if (!motor.supply_v())
    throw Error(
        Fault::kInput,
        fmt::format("the curve of motor {} does not say for which supply voltage it stands; "
                    "record or import its brake run with --supply-v and fit it again.",
                    name));
  const double factor = volts / *motor.supply_v();
  if (std::fabs(factor - 1) > kFarChange)
    warnings.push_back(
        fmt::format("{:.4g} V is far from the {:.4g} V that motor {} was measured at: saturation "
                    "and brush drop "
                    "make the moved curve a rough guide only; measure at that voltage.",
                    volts, *motor.supply_v(), name));
  DriveCurve moved = with_voltage(motor, factor);
  moved.set_supply_v(volts);
  moved.scale_range(std::pow(factor, equation_of(motor)->speeds_by_voltage));
  return moved;
}

DriveCurve at_other_frequency(const DriveCurve& motor, const SupplyWish& wish,
                              const std::string& name, std::vector<std::string>& warnings) {
  if (!supports_frequency(motor))
    throw Error(Fault::kInput,
                fmt::format("a {} curve has no frequency to change; leave --supply-hz out for "
                            "motor {}.",
                            motor.model(), name));
  if (!wish.rated_hertz)
    throw Error(Fault::kInput,
                fmt::format("the frequency that motor {} was measured at is not known; set it with "
                            "'loadline-db set motor {} --rated-hz 50'.",
                            name, name));
  const double factor = *wish.hertz / *wish.rated_hertz;
  if (factor == 0 && equation_of(motor)->speeds_by_frequency != 0)
    throw Error(Fault::kInput,
                fmt::format("motor {} does not turn on direct current (0 Hz); its curve is {}.",
                            name, motor.model()));
  if (std::fabs(factor - 1) > 1e-9)
    warnings.push_back(fmt::format(
        "the curve of motor {} is moved from {:.4g} to {:.4g} Hz by its reactances alone; its iron "
        "and its cooling change too, and no interval covers that.",
        name, *wish.rated_hertz, *wish.hertz));
  DriveCurve moved = with_frequency(motor, factor);
  moved.scale_range(std::pow(factor, equation_of(motor)->speeds_by_frequency));
  return moved;
}

}  // namespace

LostShare lost_share(const std::string& model, const std::optional<double>& supply_v) {
  const MotorEquation* equation = motor_equation(model);
  if (!equation || !supply_v || !(*supply_v > 0)) return {};
  return {equation->brush_v / *supply_v + equation->friction_share,
          std::hypot(equation->brush_v_sd / *supply_v, equation->friction_share_sd)};
}

bool supports_voltage(const DriveCurve& motor) {
  return equation_of(motor) && equation_of(motor)->moves_with_voltage();
}

bool supports_frequency(const DriveCurve& motor) {
  return equation_of(motor) && equation_of(motor)->moves_with_frequency();
}

bool supports_pedal(const DriveCurve& motor, Pedal pedal) {
  if (pedal == Pedal::kMarks) return motor.has_parameter("position");
  if (pedal == Pedal::kVoltage) return supports_voltage(motor);
  return equation_of(motor) && !equation_of(motor)->series_resistance.empty();
}

DriveCurve with_voltage(const DriveCurve& motor, const Propagated& factor) {
  if (!supports_voltage(motor))
    throw std::logic_error("with_voltage on a curve that does not support it");
  constexpr double kLeast = 1e-6;  // of the voltage: below what is lost nothing is left
  Propagated net = factor - motor.lost() * (1.0 - factor);
  if (!(net.value > kLeast)) net = kLeast;
  DriveCurve moved = scaled(motor, &MotorParameter::by_voltage, net);
  moved.set_lost(motor.lost() / net);
  return moved;
}

DriveCurve with_frequency(const DriveCurve& motor, double factor) {
  if (!supports_frequency(motor))
    throw std::logic_error("with_frequency on a curve that does not support it");
  return scaled(motor, &MotorParameter::by_frequency, factor);
}

DriveCurve with_pedal(const DriveCurve& motor, Pedal pedal, const Propagated& setting) {
  if (pedal == Pedal::kVoltage) return with_voltage(motor, setting);
  if (pedal == Pedal::kMarks) return motor.with_parameter("position", setting);
  const std::string& resistance = equation_of(motor)->series_resistance;
  return motor.with_parameter(resistance, motor.parameter(resistance) + setting);
}

DriveCurve moved_to_supply(const DriveCurve& motor, const SupplyWish& wish,
                           const std::string& motor_name, std::vector<std::string>& warnings) {
  if ((wish.volts || wish.hertz) && !supports_voltage(motor))
    throw Error(Fault::kInput,
                fmt::format("a {} curve has no physics to move it to another supply by; fit motor "
                            "{} with --model series, permanent-magnet or induction.",
                            motor.model(), motor_name));
  DriveCurve moved = motor;
  if (wish.volts) moved = at_other_voltage(moved, *wish.volts, motor_name, warnings);
  if (wish.hertz) moved = at_other_frequency(moved, wish, motor_name, warnings);
  return moved;
}

}  // namespace loadline
