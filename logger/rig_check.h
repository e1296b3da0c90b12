// What a rig's channels look like while somebody checks it: is each of them alive and sane?
#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "db/records.h"
#include "logger/line/line_reader.h"

namespace loadline {

struct ChannelCheck {
  std::string channel;  ///< "load cell", "motor tachometer", …
  std::string finding;  ///< a sentence with the figures
  bool well = true;
  Json figures;  ///< the same as JSON
};

struct RigCheckInput {
  WireIdentity identity = {};
  std::vector<Sample> samples;  ///< of some seconds, everything at rest unless `turns` is given
  std::optional<Calibration> calibration;
  /// By how many turns the shaft was turned by hand meanwhile; confirms the pulses per turn.
  std::optional<double> turns;
};

/// One entry for each channel that the identity names.
std::vector<ChannelCheck> check_rig_channels(const RigCheckInput& input);

}  // namespace loadline
