// What a person may ask of a motor's fit.
#pragma once

#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "fit/brake_runs/sweeps/sweep.h"

namespace loadline {

struct MotorFitOptions {
  SweepOptions sweep;
  std::optional<std::string> model;      ///< forced; else compared
  std::optional<double> at_supply_v;     ///< supply that the curve shall stand for
  std::optional<double> at_winding_c;    ///< winding temperature that the curve shall stand for
  std::optional<double> winding_c;       ///< mean one of the first run, when a person knows it
  std::vector<std::int64_t> runs;        ///< empty: all usable runs of the motor
  std::function<void(double)> progress;  ///< told how much is done, out of 1; may be empty
};

}  // namespace loadline
