// What the motor works against: the brake, the machine, the belt between them.
#pragma once

#include "firmware-protocol/simrig/dice.h"
#include "firmware-protocol/simrig/scenario.h"

namespace loadline::simrig {

/// A brake on the motor's shaft, worked by hand through a programme.
class Brake {
 public:
  Brake(const BrakeSpec& spec, std::uint64_t seed);
  /// What the hand sets `action_s` seconds after the switch, as a part (0…1) of the highest.
  double setting(double action_s) const;
  /// Torque at speed ≥ 0 for a setting; at standstill a friction brake can hold up to this.
  double torque(double setting, double speed) const;
  bool holds_at_rest() const { return spec_.law == BrakeSpec::Law::kFriction; }
  /// Moves the chatter on by kChatterStep.
  void advance() { chatter_.advance(); }

  static constexpr double kChatterStep = 0.001;

 private:
  BrakeSpec spec_;
  Wander chatter_;
};

/// Drag of the machine at its hand wheel. τ = c0 + c1·ω + c2·ω² + Stribeck rise + ripple once and
/// twice a turn; Stribeck after Armstrong-Hélouvry, Dupont and Canudas de Wit, Automatica 30 (1994)
/// 1083 (from memory), in its Gaussian form.
double machine_drag(const MachineSpec& machine, double speed, double angle);
/// The same averaged over a turn.
double machine_mean_drag(const MachineSpec& machine, double speed);

/// What a thick seam takes besides, N·m at the hand wheel at an angle of it: the needle's thread
/// and shank meet more and more cloth, and are through at once: a triangle with its height at seven
/// tenths of the stretch, whose area is the work of a turn (our shape; common practice, rough).
double seam_torque(const MachineSpec& machine, double angle);

/// A belt that creeps in proportion to its load and slips altogether at its capacity:
/// T = capacity·u/√(1 + u²), u = slip/creep, slip = (ω_m − i·ω_h)/ω_m.
class Belt {
 public:
  Belt(const BeltSpec& spec, double ratio);
  /// Torque passed on, at the motor's shaft.
  double torque(double motor_speed, double handwheel_speed) const;
  /// Torque lost, at the motor's shaft, for speed ≥ 0.
  double loss(double motor_speed, double motor_angle) const;
  double mean_loss(double motor_speed) const;
  /// Slip (0…1) at which the belt passes on `torque`; 1 when it cannot.
  double slip(double torque) const;
  double ratio() const { return ratio_; }

 private:
  BeltSpec spec_;
  double ratio_;
  double seam_per_rad_;  ///< passages of the seam per radian of the motor
};

}  // namespace loadline::simrig
