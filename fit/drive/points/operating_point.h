// Where a motor and a machine settle: the crossings of the motor's curve with the load line.
//
// All crossings in the searched interval are found by a bracketing scan, then Boost.Math's toms748
// (Alefeld, Potra & Shi, ACM TOMS 21 (1995) 327, algorithm 748) inside each bracket; touching pairs
// between two scan points are looked for where the spare torque has a minimum near zero.
// Which of them the machine reaches is read from the start: with torque to spare at standstill it
// speeds up to the first crossing where the motor's torque falls through the load.
#pragma once

#include <optional>
#include <vector>

#include "fit/drive/load_lines/load_line.h"

namespace loadline {

struct Crossing {
  double motor_speed;  ///< rad/s
  bool stable;         ///< a small disturbance dies out: the motor's torque falls through the load
};

/// What became of the search.
enum class Settling {
  kRuns,          ///< starts by itself and settles
  kNeedsPush,     ///< would settle, but cannot start by itself from standstill
  kTooWeak,       ///< the drag is above the motor at every speed: it stalls
  kStillPulling,  ///< the motor is above the drag up to the end of the search: no steady speed
                  ///< known
};

struct OperatingSearch {
  Settling settling = Settling::kTooWeak;
  std::vector<Crossing> crossings;    ///< by rising speed
  std::optional<double> motor_speed;  ///< rad/s, of the crossing that is reached
  double searched_low = 0;            ///< rad/s at the motor
  double searched_high = 0;
};

/// Finds all crossings from standstill (or the lowest speed that the curves stand for) to 1.25
/// times the measured ranges of both, and beyond, up to eight times, while the motor still pulls
/// there.
OperatingSearch find_operating_point(const DriveCurve& motor, const DriveCurve& machine,
                                     const LoadLine& line);

/// The crossing's speed with its derivatives by all inputs (implicit-function theorem).
Propagated operating_speed(const DriveCurve& motor, const DriveCurve& machine, const LoadLine& line,
                           double motor_speed);

}  // namespace loadline
