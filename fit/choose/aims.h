// What a restorer asks of a machine: the aims that a choice from the drawer is judged by.
#pragma once

#include <optional>

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

/// Speeds that differ by less than this part are as good as each other: a choice is right while
/// nothing that also meets the aims is faster by more.
inline constexpr double kWorthOfSpeed = 0.01;
/// Sure enough to be built on, and to stop measuring.
inline constexpr double kSure = 0.95;

}  // namespace loadline
