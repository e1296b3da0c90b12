// A plot in block characters, for a terminal.
#pragma once

#include <cstddef>
#include <string>

#include "fit/report/plots/plot.h"

namespace loadline {

/// Lines and marks of `plot` in at most `width` columns, with axes and a key below; without colour
/// and without a final line feed. Lines are told apart by their strokes (quarter blocks, shades,
/// dots); where one is extrapolated only every third column of it is drawn. Empty when `width` is
/// less than kNarrowestPicture or nothing is to be drawn.
std::string terminal_picture(const Plot& plot, std::size_t width);

inline constexpr std::size_t kNarrowestPicture = 40, kWidestPicture = 80;

}  // namespace loadline
