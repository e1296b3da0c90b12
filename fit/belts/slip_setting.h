// The slip setting: how tight a belt was, told by how it slips while the hand wheel is held.
//
// At full voltage with the hand wheel held, the motor creeps at the speed where its torque is what
// the belt can just carry. That creep speed, and the torque where it was measured, are the setting:
// a tighter belt creeps slower at a higher torque. Belts are compared at one setting, so runs whose
// slip checks lie outside a band about the session's median are not compared.
#pragma once

#include <cstdint>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "db/basis/estimate.h"

namespace loadline {

struct Readings;  // fit/readings/readings.h

struct SlipSetting {
  std::int64_t run = 0;
  std::optional<Estimate> creep;   ///< rpm, of the motor while the belt slips
  std::optional<Estimate> torque;  ///< N·m
  std::string fault;               ///< why it is no slip check; empty when it is one
};

/// Reduces a slip check: mean over the steady part, or the median of the later 60 % when the speed
/// never settles (a check lasts two seconds). A turning hand wheel is a fault: the belt then drove.
SlipSetting slip_setting(const Readings& readings);

/// What "the same setting" means for one quantity.
struct SlipBand {
  std::string quantity;  ///< "creep speed" or "torque"
  std::string unit;
  double middle = 0, low = 0, high = 0;
  double percent = 0;
  std::size_t checks = 0;
  std::string block;  ///< pulley pair that it holds for; empty: the whole session
  bool holds(double value) const { return value >= low && value <= high; }
};

/// One value of it, with the pulley pair that it was found on.
struct SlipValue {
  double value = 0;
  std::string block;
};

/// The bands: one about the median of all values, and one of its own for each pulley pair of at
/// least three checks whose median is further from that than half the band: one tension creeps at
/// different speeds on different pulleys, and belts are compared pulley pair by pulley pair.
/// Without `percent` the band reaches four robust standard deviations of the checks' logarithms to
/// either side of their pulley pair's median, but at least a factor of 1.25 and at most one of 1.6:
/// what a careful hand can set, and what the comparison takes out with its doubt (comparison.h);
/// only what lies beyond the others' spread is refused.
/// The band of the whole session comes first. `values` must not be empty.
std::vector<SlipBand> slip_bands(const std::string& quantity, const std::string& unit,
                                 std::span<const SlipValue> values, std::optional<double> percent);

/// The band of those that holds for a pulley pair.
const SlipBand& band_for(std::span<const SlipBand> bands, const std::string& block);

Json to_json(const SlipBand& band);
Json to_json(const SlipSetting& setting);

}  // namespace loadline
