// The motor of the simulated bench: circuit equations, iron, brushes, heat, own friction.
//
// Deliberately richer than any curve that is fitted to it. A series motor obeys
//   L(i)·di/dt = v − R(θ)·i − brushes − E,  E = kφ(i)·ω,  T = kφ(i)·i,
// with kφ(i) = k·i/√(1 + (i/i_s)²), whose slope at 0 is k (iron bends at i_s), the field's
// inductance falling with the slope of the same curve. Power converted is E·i = T·ω at any instant.
// A permanent-magnet motor has kφ = ke. An induction motor follows its equivalent circuit with
// stator resistance and magnetising branch (Thévenin form, any machines text), with a first-order
// lag instead of the flux transients.
#pragma once

#include "firmware-protocol/simrig/scenario.h"

namespace loadline::simrig {

class Motor {
 public:
  /// `supply` gives frequency and the resistances in the motor's circuit.
  Motor(const MotorSpec& motor, const SupplySpec& supply);

  /// Winding (and rotor) temperature: sets resistances and magnet strength.
  void set_winding(double celsius);

  /// Electromagnetic torque in N·m. `electrical` is the current in A, or for an induction motor
  /// the lagged torque itself.
  double torque(double electrical) const {
    return spec_.kind == MotorKind::kInduction ? electrical : flux(electrical) * electrical;
  }

  /// d electrical / dt at instantaneous voltage `v` (induction: rms voltage) and speed.
  double electrical_slope(double electrical, double speed, double v) const;

  /// Heat in the windings in W.
  double copper_loss(double electrical, double speed, double rms_volts) const;
  double brush_loss(double current) const;
  /// Field energy stored at `current`, in J.
  double magnetic_energy(double current) const;

  /// Own friction at speed > 0, N·m.
  double friction(double speed) const {
    return spec_.friction_c0_nm + speed * (spec_.friction_c1_nms + speed * spec_.friction_c2_nms2);
  }

  double circuit_ohm() const { return resistance_ + supply_.source_ohm + supply_.series_ohm; }

 private:
  double flux(double current) const;  ///< kφ(i), V·s
  double inductance(double current) const;
  double brushes(double current) const;
  double air_gap_torque(double speed, double rms_volts) const;

  MotorSpec spec_;
  SupplySpec supply_;
  double resistance_ = 0.0, magnet_ = 0.0, rotor_ = 0.0;
};

/// Mean electromagnetic torque at constant speed, from the same circuit, after the transient has
/// gone: what a perfect bench would measure, own friction not yet taken off.
double mean_torque(const MotorSpec& motor, const SupplySpec& supply, double volts,
                   double winding_celsius, double speed);

/// Rms current under the same conditions; 0 for an induction motor.
double rms_current(const MotorSpec& motor, const SupplySpec& supply, double volts,
                   double winding_celsius, double speed);

}  // namespace loadline::simrig
