// Motors from their circuit: net torque on the shaft over speed, and the facts that follow.
#pragma once

#include <functional>
#include <string>

#include "dice.h"
#include "facts.h"

namespace benches {

struct SeriesCircuit {  // all per ampere of the motor's own current
  double volts = 230.0, ohms = 10.0, reactance_ohms = 10.0;
  double volt_seconds = 0.02;  // EMF per ampere and rad/s
  // From V² = ((R + Kω)I)² + (XI)² and T = KI²; no friction. N·m at rad/s.
  double torque(double speed) const;
  double current(double speed) const;
};

class Motor {
 public:
  std::string kind;       // magnet, bent, series, saturating, induction, capacitor
  double top = 0.0;       // rad/s, where the net torque is nil
  double mains_hz = 0.0;  // of the torque's swing; 0 for direct current
  double inertia = 0.0;   // kg·m², rotor and what is fixed to it

  double torque(double speed) const;    // N·m, net
  double friction(double speed) const;  // N·m, what is left when it is switched off
  Facts truth() const;                  // the results to be found, in the units of the programs

  // `electric`: torque of the current alone. Friction is b0 and a fan's b2·ω² such that the net
  // torque is nil at `top` rad/s; b0 is `bearing` of the electric torque there.
  Motor(std::string kind, std::function<double(double)> electric, double top, double bearing);

 private:
  double fan_ = 0.0, bearing_ = 0.0, step_ = 1.0;
  std::vector<double> table_;  // net torque from one step below standstill on
};

Motor draw_motor(Dice& dice);

}  // namespace benches
