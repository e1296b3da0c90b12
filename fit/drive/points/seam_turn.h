// One stitch in a thick seam: the turn of the hand wheel as it is, not on the average.
//
// The needle meets the cloth once a turn. Its resistance is a push over a part of the turn, and the
// turning masses carry the machine through it or do not. With the crank's angle φ, the torques at
// the hand wheel and the inertia there, J = J_machine + i²·J_rotor (gear law; any mechanics text):
//   d(½·J·ω²)/dφ = i·(T(ω_m) − τ_b) − τ(ω) − τ_e − p(φ),   p = W·(2/β)·sin²(π(φ − φ₀)/β),
// p over the width β from φ₀ on, 0 elsewhere, with the work W a stitch; ω_m from ω by ratio and
// slip. Solved in φ by the classical Runge–Kutta method, turn after turn, until a turn ends as it
// began, or the machine stands.
// Width and place of the push are the last sixth of the needle's way down (from 120° to 180° after
// its top; common practice, rough): the push moves the least speed, W the speed on the average.
// SI throughout. Pure functions; any thread.
#pragma once

#include <optional>

#include "fit/drive/load_lines/load_line.h"

namespace loadline {

struct SeamPush {
  double work = 0;                    ///< J a turn
  double first = 2.0943951023931953;  ///< rad of the turn where it begins
  double width = 1.0471975511965976;  ///< rad, over which it lasts
  double torque(double angle) const;  ///< N·m at an angle of the turn, 0 ≤ angle < 2π
};

struct SeamTurn {
  bool stalls = false;
  double least_speed = 0;  ///< rad/s of the hand wheel, in the slowest turn; 0 where it stalls
  double speed = 0;        ///< rad/s on the average over time of the last turn
  int turns = 0;           ///< that were followed
  /// J of the last turn, by quadrature beside the solution: what the motor gave through the belt,
  /// what the drag took, and what the turning masses gained.
  double given = 0, dragged = 0, gained = 0;
};

/// From running at `speed` (rad/s of the hand wheel) into the seam, the pedal held: `motor` is the
/// curve as the pedal makes it. `inertia` at the hand wheel, kg·m².
SeamTurn sew_seam(const DriveCurve& motor, const DriveCurve& machine, const LoadLine& line,
                  double inertia, double speed, const SeamPush& push, int steps_per_turn = 180);

}  // namespace loadline
