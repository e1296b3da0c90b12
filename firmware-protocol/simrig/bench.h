// The simulated bench in the time domain: motor, brake or machine, and what the sensors make of it.
//
// Time advances by Runge-Kutta steps of fourth order, 1/200 of a mains period each. Coulomb
// friction is exact: a shaft that comes to rest stays there until what drives it is stronger than
// what holds it, and nothing on this bench turns backwards. Same scenario and seed, same numbers.
// A Bench belongs to one thread.
#pragma once

#include <cstdint>
#include <memory>
#include <vector>

#include "firmware-protocol/simrig/scenario.h"

namespace loadline::simrig {

/// How things really stand. SI; at the instant `time_s`.
struct TrueState {
  double time_s = 0.0;
  double action_s = 0.0;     ///< since the switch; negative before
  double motor_speed = 0.0;  ///< rad/s
  double handwheel_speed = 0.0;
  double motor_angle = 0.0;  ///< rad
  double handwheel_angle = 0.0;
  double electrical = 0.0;   ///< current in A (induction: torque in N·m)
  double net_torque = 0.0;   ///< electromagnetic less own friction, N·m
  double cell_torque = 0.0;  ///< what the arm feels, N·m
  double supply_v = 0.0;     ///< rms or d.c. at the switch, 0 when off
  double winding_c = 0.0, case_c = 0.0;
};

/// Where the energy went, in J since the beginning. supplied + pushed = all others + what is
/// stored.
struct Energy {
  double supplied = 0.0;  ///< from the mains
  double pushed = 0.0;    ///< by the hand that spins the wheel up for a coast-down
  double resistance = 0.0, brushes = 0.0;
  double own_friction = 0.0, brake = 0.0, belt = 0.0, machine = 0.0;
  double kinetic = 0.0, magnetic = 0.0;  ///< stored at present
};

/// One conversion of the load cell and what the other channels have shown since the one before.
struct Moment {
  double time_s = 0.0;  ///< when the conversion ended
  std::int32_t torque_counts = 0;
  std::int32_t supply_counts = 0;
  std::int32_t temperature_counts = 0;
  std::vector<double> motor_edges;  ///< times, rising
  std::vector<double> handwheel_edges;
  TrueState truth;
};

class Bench {
 public:
  Bench(const Scenario& scenario, std::uint64_t seed);
  ~Bench();
  Bench(Bench&&) noexcept;
  Bench& operator=(Bench&&) noexcept;

  /// Advances to the end of the next conversion. False when the run is over.
  bool next(Moment& moment);

  /// The start command came: the switch is thrown lead_s from now, unless it was thrown already.
  void start_command();
  /// Once over: another tail_s with nothing switched on.
  void play_on();
  bool switched() const;
  double time_s() const;
  double end_s() const;  ///< when the run is over, as things stand

  TrueState state() const;
  Energy energy() const;

  /// Inertia at the motor's shaft and at the hand wheel in this run, kg·m².
  double motor_side_inertia() const;
  double handwheel_side_inertia() const;

 private:
  struct Parts;
  std::unique_ptr<Parts> parts_;
};

/// Of the temperature channel: kelvins per count, and °C at count 0.
inline constexpr double kTemperaturePerCount = 0.0625;
inline constexpr double kTemperatureOffset = -40.0;

}  // namespace loadline::simrig
