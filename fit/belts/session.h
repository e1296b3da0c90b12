// A belt session read from the book: its top-speed runs reduced, and those refused with reasons.
#pragma once

#include <cstdint>
#include <map>
#include <optional>
#include <string>
#include <vector>

#include "db/book.h"
#include "fit/belts/comparison.h"
#include "fit/belts/slip_setting.h"
#include "fit/belts/steady_part.h"

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

/// Reads all top-speed runs of machine `machine`. Error(kBook) for the book; a run that cannot be
/// read becomes a refused one.
BeltSession read_belt_session(const Book& book, std::int64_t machine,
                              const SessionOptions& options = {});

}  // namespace loadline
