// A belt session's runs as they are asked for, and as they were found.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "fit/belts/comparison/comparison.h"
#include "fit/belts/slip_setting.h"

namespace loadline {

struct SessionOptions {
  std::optional<std::int64_t> motor;        ///< only runs with this motor
  std::optional<double> slip_band_percent;  ///< half width; without it the band that the bench
                                            ///< judged by, else slip_bands()
  /// Runs whose supply is further from the session's median are refused, in per cent: beyond it the
  /// correction is no longer small. Mains wanders by several per cent within the hour.
  double supply_band_percent = 6;
  double steady_percent = 1;  ///< see SteadyOptions::tolerance_percent
  bool any_slip = false;  ///< compare whatever the slip setting was; the result carries a warning
};

struct BeltSession {
  std::vector<TopSpeed> runs;  ///< fit to be compared, in time order
  std::vector<RefusedRun> refused;
  std::vector<std::string> warnings;
  std::vector<SlipSetting> settings;  ///< the slip checks that were used
  std::vector<SlipBand> bands;
  std::vector<std::int64_t> motors;  ///< of the runs fit to be compared
  bool at_motor = false;             ///< no hand-wheel speed in any run: speeds are the motor's
};

}  // namespace loadline
