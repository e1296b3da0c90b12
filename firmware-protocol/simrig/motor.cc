#include "firmware-protocol/simrig/motor.h"

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>

#include "firmware-protocol/simrig/turn.h"

namespace loadline::simrig {
namespace {

/// Current over which the brush drop builds up; small against any running current.
constexpr double kBrushKnee = 0.05;

struct SteadyState {
  double torque = 0.0, rms_current = 0.0;
};

/// Runs the circuit at constant speed until the transient is below 1e-6, then averages over whole
/// periods.
SteadyState steady_state(const MotorSpec& spec, const SupplySpec& supply, double volts,
                         double winding_celsius, double speed) {
  Motor motor(spec, supply);
  motor.set_winding(winding_celsius);
  const bool alternating = supply.hz > 0.0;
  const double period = alternating ? 1.0 / supply.hz : 1e-2;
  constexpr int kSteps = 400;
  const double h = period / kSteps;
  const double field_h = spec.kind == MotorKind::kSeries ? spec.field_h : 0.0;
  const double slowest = (field_h + spec.leakage_h) / motor.circuit_ohm();
  const int settle = std::max(3, static_cast<int>(std::ceil(14.0 * slowest / period)));
  const double peak = alternating ? volts * std::numbers::sqrt2 : volts;
  const auto v = [&](int half_step) {
    return alternating ? peak * std::sin(kTwoPi * half_step / (2.0 * kSteps)) : peak;
  };
  double i = 0.0;
  SteadyState sum;
  for (int cycle = 0; cycle <= settle; ++cycle) {
    for (int n = 0; n < kSteps; ++n) {
      const double k1 = motor.electrical_slope(i, speed, v(2 * n));
      const double k2 = motor.electrical_slope(i + 0.5 * h * k1, speed, v(2 * n + 1));
      const double k3 = motor.electrical_slope(i + 0.5 * h * k2, speed, v(2 * n + 1));
      const double k4 = motor.electrical_slope(i + h * k3, speed, v(2 * n + 2));
      i += h / 6.0 * (k1 + 2.0 * k2 + 2.0 * k3 + k4);
      if (cycle == settle) {
        sum.torque += motor.torque(i) / kSteps;
        sum.rms_current += i * i / kSteps;
      }
    }
  }
  sum.rms_current = std::sqrt(sum.rms_current);
  return sum;
}

}  // namespace

Motor::Motor(const MotorSpec& motor, const SupplySpec& supply) : spec_(motor), supply_(supply) {
  set_winding(motor.start_c);
}

void Motor::set_winding(double celsius) {
  const double growth = 1.0 + spec_.copper_per_k * (celsius - 20.0);
  resistance_ =
      (spec_.kind == MotorKind::kInduction ? spec_.r1_ohm : spec_.resistance_ohm) * growth;
  rotor_ = spec_.r2_ohm * growth;
  magnet_ = spec_.ke_vs * (1.0 + spec_.magnet_per_k * (celsius - 20.0));
}

double Motor::flux(double current) const {
  if (spec_.kind == MotorKind::kPermanentMagnet) return magnet_;
  if (spec_.saturation_a <= 0.0) return spec_.k_vs_per_a * current;
  const double x = current / spec_.saturation_a;
  return spec_.k_vs_per_a * current / std::sqrt(1.0 + x * x);
}

double Motor::inductance(double current) const {
  if (spec_.kind == MotorKind::kPermanentMagnet) return spec_.leakage_h;
  if (spec_.saturation_a <= 0.0) return spec_.leakage_h + spec_.field_h;
  const double x = current / spec_.saturation_a;
  const double q = 1.0 + x * x;
  return spec_.leakage_h + spec_.field_h / (q * std::sqrt(q));
}

double Motor::brushes(double current) const {
  return spec_.brush_v == 0.0 ? 0.0 : spec_.brush_v * std::tanh(current / kBrushKnee);
}

double Motor::electrical_slope(double electrical, double speed, double v) const {
  if (spec_.kind == MotorKind::kInduction)
    return (air_gap_torque(speed, v) - electrical) / spec_.electrical_lag_s;
  const double emf = flux(electrical) * speed;
  return (v - circuit_ohm() * electrical - brushes(electrical) - emf) / inductance(electrical);
}

/// Thévenin form of the equivalent circuit, multiplied through by the slip so that synchronous
/// speed is no special case.
double Motor::air_gap_torque(double speed, double rms_volts) const {
  using C = std::complex<double>;
  const double synchronous = kTwoPi * supply_.hz * 2.0 / spec_.poles;
  const double slip = 1.0 - speed / synchronous;
  const C stator(circuit_ohm(), spec_.x1_ohm);
  const C magnetising(0.0, spec_.xm_ohm);
  const C source = rms_volts * magnetising / (stator + magnetising);
  const C impedance = stator * magnetising / (stator + magnetising);
  const double along = impedance.real() * slip + rotor_;
  const double across = (impedance.imag() + spec_.x2_ohm) * slip;
  return spec_.phases * std::norm(source) * rotor_ * slip /
         (synchronous * (along * along + across * across));
}

double Motor::copper_loss(double electrical, double speed, double rms_volts) const {
  if (spec_.kind != MotorKind::kInduction) return resistance_ * electrical * electrical;
  using C = std::complex<double>;
  const double slip = std::max(1e-3, 1.0 - speed / (kTwoPi * supply_.hz * 2.0 / spec_.poles));
  const C stator(circuit_ohm(), spec_.x1_ohm), magnetising(0.0, spec_.xm_ohm);
  const C rotor(rotor_ / slip, spec_.x2_ohm);
  const C primary = rms_volts / (stator + magnetising * rotor / (magnetising + rotor));
  const C secondary = primary * magnetising / (magnetising + rotor);
  return spec_.phases * (std::norm(primary) * resistance_ + std::norm(secondary) * rotor_);
}

double Motor::brush_loss(double current) const { return brushes(current) * current; }

double Motor::magnetic_energy(double current) const {
  const double leakage = 0.5 * spec_.leakage_h * current * current;
  if (spec_.kind == MotorKind::kPermanentMagnet) return leakage;
  if (spec_.saturation_a <= 0.0) return leakage + 0.5 * spec_.field_h * current * current;
  // ∫ L(i)·i di with L = field/(1 + x²)^(3/2): field·i_s²·(1 − 1/√(1 + x²)).
  const double x = current / spec_.saturation_a;
  return leakage + spec_.field_h * spec_.saturation_a * spec_.saturation_a *
                       (1.0 - 1.0 / std::sqrt(1.0 + x * x));
}

double mean_torque(const MotorSpec& motor, const SupplySpec& supply, double volts,
                   double winding_celsius, double speed) {
  if (motor.kind != MotorKind::kInduction)
    return steady_state(motor, supply, volts, winding_celsius, speed).torque;
  Motor circuit(motor, supply);
  circuit.set_winding(winding_celsius);
  return circuit.electrical_slope(0.0, speed, volts) * motor.electrical_lag_s;
}

double rms_current(const MotorSpec& motor, const SupplySpec& supply, double volts,
                   double winding_celsius, double speed) {
  if (motor.kind == MotorKind::kInduction) return 0.0;
  return steady_state(motor, supply, volts, winding_celsius, speed).rms_current;
}

}  // namespace loadline::simrig
