// A calibration of the load cell as it grows on the page: one point after the other, and after each
// the line through them.
//
// Threads: one at a time.
#pragma once

#include <vector>

#include "db/basis/estimate.h"
#include "db/book.h"
#include "logger/zero_watch.h"

namespace loadline {

enum class LoadDirection;  // fit/readings/load_cell.h
struct LoadPoint;
struct LoadCellFit;

class PageCalibration {
 public:
  /// Under `mass_g` the cell read this.
  void add(double mass_g, const RestMean& reading);
  /// Takes the point of that number (from 0) out. Error(kInput) when there is none.
  void drop(std::int64_t index);
  /// How the next mass is reached: less than the one before hangs on the way down.
  LoadDirection direction_of(double mass_g) const;

  /// {"points": [{"mass_g", "counts", "sd_counts", "conversions", "direction", "residual_counts"}],
  /// "slope", "zero", "nonlinearity", "hysteresis", "repeatability": estimates or null, "model",
  /// "warnings", "why": why there is no line through them yet}. Sentences come in `language`.
  Json json(const Part& rig) const;

  /// The line through the points. Error(kInput) that says what is missing.
  LoadCellFit fit(const Part& rig) const;
  double heaviest_g() const;

 private:
  struct Point {
    double mass_g;
    RestMean reading;
  };
  std::vector<LoadPoint> load_points() const;
  std::vector<Point> points_;
};

}  // namespace loadline
