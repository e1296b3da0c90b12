// A top-speed run as belts are compared by it.
#pragma once

#include <cstdint>
#include <optional>
#include <string>

namespace loadline {

/// One top-speed run, reduced.
struct TopSpeed {
  std::int64_t run = 0;
  std::string belt;
  std::string block;                  ///< pulley pair and what else was set up alike
  std::string set_up;                 ///< the same without the session
  std::size_t evening = 0;            ///< the session, from 0 on
  double order = 0;                   ///< place in time among the session's runs
  double speed = 0;                   ///< rad/s, at the hand wheel unless `at_motor`
  double speed_sd = 0;                ///< standard uncertainty within the run
  std::optional<double> supply;       ///< V, mean over the steady part
  std::optional<double> setting;      ///< ln(creep speed of its slip check / middle of its band)
  std::optional<double> motor_speed;  ///< rad/s, mean over the steady part
  double start_s = 0, end_s = 0, turns = 0, change_percent = 0;
};

}  // namespace loadline
