#include "fit/drive/supply.h"

#include <fmt/format.h>

#include <cmath>
#include <stdexcept>

#include "db/basis/error.h"

namespace loadline {
namespace {

// Beyond this change of voltage or frequency saturation and brush drop are no longer small.
constexpr double kFarChange = 0.2;

bool is(const DriveCurve& motor, const char* model) { return motor.model() == model; }

DriveCurve scaled(const DriveCurve& motor, const std::string& name, const Propagated& factor) {
  return motor.with_parameter(name, motor.parameter(name) * factor);
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
  if (is(motor, "permanent-magnet")) moved.scale_range(factor);
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
  if (std::fabs(factor - 1) > 1e-9)
    warnings.push_back(fmt::format(
        "the curve of motor {} is moved from {:.4g} to {:.4g} Hz by its reactances alone; its iron "
        "and its cooling change too, and no interval covers that.",
        name, *wish.rated_hertz, *wish.hertz));
  DriveCurve moved = with_frequency(motor, factor);
  if (is(motor, "induction")) moved.scale_range(factor);
  return moved;
}

}  // namespace

bool supports_voltage(const DriveCurve& motor) {
  return is(motor, "series") || is(motor, "permanent-magnet") || is(motor, "induction");
}

bool supports_frequency(const DriveCurve& motor) {
  return is(motor, "induction") || is(motor, "series");
}

bool supports_pedal(const DriveCurve& motor, Pedal pedal) {
  return pedal == Pedal::kResistance ? is(motor, "series") : supports_voltage(motor);
}

DriveCurve with_voltage(const DriveCurve& motor, const Propagated& factor) {
  if (is(motor, "series")) return scaled(motor, kSeriesA, factor * factor);
  if (is(motor, "permanent-magnet"))
    return scaled(scaled(motor, kMagnetStall, factor), kMagnetNoLoad, factor);
  if (is(motor, "induction")) return scaled(motor, kInductionBreakdown, factor * factor);
  throw std::logic_error("with_voltage on a curve that does not support it");
}

DriveCurve with_frequency(const DriveCurve& motor, double factor) {
  if (is(motor, "series")) return scaled(motor, kSeriesOmegaX, factor);
  if (is(motor, "induction"))
    return scaled(scaled(scaled(motor, kInductionSynchronous, factor), kInductionBreakdown,
                         1 / (factor * factor)),
                  kInductionSlip, 1 / factor);
  throw std::logic_error("with_frequency on a curve that does not support it");
}

DriveCurve with_pedal(const DriveCurve& motor, Pedal pedal, const Propagated& setting) {
  if (pedal == Pedal::kVoltage) return with_voltage(motor, setting);
  return motor.with_parameter(kSeriesOmega0, motor.parameter(kSeriesOmega0) + setting);
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
