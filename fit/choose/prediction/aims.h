// What a restorer asks of a machine: the aims that a choice from the drawer is judged by.
#pragma once

#include <optional>

#include "fit/choose/drawer/choice_constants.h"

namespace loadline {

/// In units of people, as they are typed. Limits that the book records of a motor (max-rpm) and of
/// the machine (max-rpm) are aims besides, whether anything is asked or not.
struct Aims {
  std::optional<double> least_rpm;          ///< top speed of the hand wheel, under `extra_nm`
  std::optional<double> most_motor_rpm;     ///< at top speed, nothing sewn
  std::optional<double> least_needle_n;     ///< at mid-stroke, from standstill
  std::optional<double> slow_spm;           ///< slow stitching, stitches a minute
  std::optional<double> most_drop_percent;  ///< of that speed, as the cloth comes under the foot
  std::optional<double> extra_nm;           ///< what the cloth takes, N·m at the hand wheel
  std::optional<double> supply_v;           ///< all motors on this supply; else as measured
};

}  // namespace loadline
