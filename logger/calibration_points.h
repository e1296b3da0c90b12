// The points of a load-cell calibration: known masses and what the cell read under them.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "fit/readings/load_cell.h"
#include "logger/intake.h"
#include "logger/zero_watch.h"

namespace loadline {

/// A point as a person orders it: "500" (read it from the rig now), "500=1234567" (counts known),
/// "500=rest.capture" (read it from that port or capture).
struct OrderedPoint {
  double mass_g = 0;
  std::optional<double> counts;
  std::optional<std::string> port;
};

/// Error(kInput) for anything else, and for masses below 0.
OrderedPoint read_ordered_point(const std::string& text);

/// Reads a file with a header row of mass_g and counts, and perhaps direction (up or down).
/// Error(kInput) with file, line and reason.
std::vector<LoadPoint> read_points_file(const std::string& path);

/// What the cell read in `haul` once the mass that was hung on hung still: without the first
/// kSettleS. Error(kRig) when no count came.
inline constexpr double kSettleS = 1;
RestMean settled_mean(const Haul& haul, double mass_g, double tick_hz);

/// Sets the directions by the order of the masses: a smaller mass than before is on the way down.
void direct_by_order(std::vector<LoadPoint>& points);

}  // namespace loadline
