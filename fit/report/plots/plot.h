// A plot as a value: what is drawn, apart from how. From the same value come the picture for paper
// and for --svg (to_svg) and the data that the page's chart library draws on screen (to_chart).
//
// Quantities are in the units that people read (rpm, N·m, W); every axis names quantity and unit.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "db/basis/language.h"

namespace loadline {

struct Axis {
  std::string quantity;  ///< "Speed"
  std::string unit;      ///< "rpm"; empty for a pure number
  std::optional<double> low, high;
  bool from_zero =
      false;  ///< the axis starts at 0 unless `low` says otherwise or data are negative
  std::vector<std::string> categories;  ///< names at 0, 1, 2 … instead of numbers
};

struct Series {
  enum class Look { kLine, kPoints, kCrosses, kMark };
  enum class Dash { kSolid, kDashed, kDotted, kDashDot, kLong };
  std::string name;
  bool named = false;  ///< `name` is a part's: the same in every language
  Look look = Look::kLine;
  int colour = 1;  ///< 1 … 6 of the palette; never the only difference between two series
  Dash dash = Dash::kSolid;
  std::vector<double> x, y;
  /// 95 % limits of y, empty when unknown: a band around a line, whiskers on marks.
  std::vector<double> low, high;
  /// 95 % limits of x: whiskers on marks only.
  std::vector<double> x_low, x_high;
  /// A line outside [measured_from, measured_to] is drawn as extrapolated: dotted and pale.
  std::optional<double> measured_from, measured_to;
  /// Where the measured stretches cannot be told by two limits: true for each point that is
  /// extrapolated, as long as `x`; empty otherwise.
  std::vector<bool> extrapolated;

  bool measured_at(std::size_t i) const;
};

/// "solid", "dashed", "dotted", "dashdot", "long": in the chart's data and as classes of
/// report.css.
const char* dash_class(Series::Dash dash);

struct Plot {
  std::string id;     ///< unique in the page, [a-z0-9-]; also the file name of --svg
  std::string title;  ///< what is seen
  std::string words;  ///< the finding in a sentence, for those who cannot see the picture
  Axis x, y;
  std::vector<Series> series;
};

/// Positions of axis ticks: multiples of 1, 2 or 5 times a power of ten that cover [low, high] with
/// about `count` steps. Empty for limits that are not finite or not in order.
std::vector<double> nice_ticks(double low, double high, int count);

/// The shown range of an axis: its own limits, else the data's, widened to whole ticks.
struct Range {
  double low = 0, high = 1;
};
Range shown_range(const Axis& axis, const Plot& plot, bool vertical);

inline constexpr int kTicks = 7;  ///< wanted steps of an axis
std::vector<double> shown_ticks(Range range);

/// The same plot in another language, but for its numbers, which are written where it is drawn.
Plot translated(Plot plot, const Language& language);

/// A complete SVG element. `alone` adds the style sheet that a file of its own needs.
std::string to_svg(const Plot& plot, bool alone, const Language& language = {});

/// What report.js draws: axes, ranges and data sets, without any text of HTML.
Json to_chart(const Plot& plot);

/// Every `series.size() / most`-th element is kept when there are more than `most`, ends included.
Series thinned(const Series& series, std::size_t most);

}  // namespace loadline
