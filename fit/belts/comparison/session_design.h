// How a session's runs become a linear model: which belt and which block each run stands in, which
// of them can be compared at all, and the matrix of the model of comparison.h. Plain values.
#pragma once

#include <cstddef>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "fit/belts/comparison/top_speed.h"
#include "fit/readings/noise/least_squares.h"

namespace loadline {

/// Who stood where: belts and blocks by number, and which belts blocks tie together.
struct SessionLayout {
  std::vector<std::string> belts, blocks;
  std::vector<std::size_t> belt_of, block_of;  ///< per run
  /// Belts of one component share blocks, directly or through others; between components there is
  /// nothing to compare by.
  std::vector<std::size_t> component_of_belt, component_of_block;
  std::size_t components = 0;
  std::vector<double> y;      ///< ln(speed)
  std::vector<double> order;  ///< place in time, from -0.5 to 0.5; 0 when all are alike
  std::optional<std::vector<double>> supply;  ///< ln(V/V₀), when it is to be corrected for
  /// ln(creep/middle), when every run's slip setting is known and they differ.
  std::optional<std::vector<double>> setting;
  std::size_t runs() const { return y.size(); }
};

/// Of one run at least.
SessionLayout lay_out(std::span<const TopSpeed> runs);

/// What stands in the model besides belts and blocks.
struct ModelTerms {
  bool supply = false;
  bool drift = false;
};

/// Columns: belts (their own means), blocks but one per component (adding to nothing within it),
/// then the supply, then the drift.
LongMatrix design_of(const SessionLayout& layout, const ModelTerms& terms);

}  // namespace loadline
