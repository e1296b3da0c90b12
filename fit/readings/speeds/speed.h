// Speed from a tachometer: what each value really averages, and a smooth speed between them.
//
// A tachometer never gives the speed "now". It gives turns over a stretch of time: from the last
// edge of the previous frame to the last edge of this one. A SpeedTrace keeps that stretch (the
// window) with each value, so that nothing later mistakes a mean over the past for the present.
// Where no edge came, there is no new value: repeated values of an imported run are recognised as
// such.
#pragma once

#include <limits>
#include <span>
#include <string>
#include <vector>

#include "db/records.h"
#include "fit/readings/noise/usual_step.h"

namespace loadline {

/// Mean speeds over windows [start_s, end_s], in time order, windows not overlapping. SI units.
struct SpeedTrace {
  std::vector<double> start_s, end_s;
  std::vector<double> speed;  ///< rad/s, mean over the window
  bool from_edges = false;    ///< windows are between edges, exactly known
  double interval_s = 0;      ///< usual window length
  bool empty() const { return speed.empty(); }
  double middle_s(std::size_t i) const { return (start_s[i] + end_s[i]) / 2; }
  double window_s(std::size_t i) const { return end_s[i] - start_s[i]; }
};

/// The edges themselves: edge number `count[i]` came at `time_s[i]`.
struct EdgeTrace {
  std::vector<double> time_s;
  std::vector<long long> count;
  double pulses_per_turn = 1;
  /// Worked out from rows: each step between neighbours is right, their sum wanders.
  bool recovered = false;
  std::vector<double> row_s;  ///< of recovered edges: the row that told of each
  bool empty() const { return time_s.empty(); }
};

/// From the rows of an imported run. A value that repeats the previous one exactly, with the next
/// differing, is stale: the value after it is the mean over the whole stretch since the last new
/// one; unless it stood longer than a tachometer takes for a new one, when it was true. `rpm` may
/// hold NaN (no value in that row). Neighbouring windows are joined until no more than `most` are
/// left (0: none is). `as_read`: no value is stale.
SpeedTrace speed_from_rows(std::span<const double> time_s, std::span<const double> rpm,
                           std::size_t most = 0, bool as_read = false);

/// From edges by reciprocal counting: turns between successive recorded edges over the exact time
/// between them. Windows shorter than `least_window_s` are joined; a window that does not span
/// whole turns keeps the unevenness of the slots (the fits on edge times know better).
SpeedTrace speed_from_edges(const EdgeTrace& edges, double least_window_s);

/// Takes out values that a lost or a doubled pulse made: up to three in a row that are far from the
/// middle of their neighbours on either side. Returns how many.
std::size_t drop_spikes(SpeedTrace& trace);

/// Speed and acceleration at any moment, by local quadratic regression on the windows (the mean of
/// the quadratic over each window is what is fitted, so averaging is undone to second order). No
/// parabola goes over a kink, a lowest speed turned about at once: on either side it sees that side
/// alone.
/// Immutable once made; may be read by many threads.
class SmoothSpeed {
 public:
  struct Value {
    double speed = 0;         ///< rad/s
    double acceleration = 0;  ///< rad/s²
    double width_s = 0;       ///< of the widest window that was used
    bool valid = false;       ///< false outside the trace, inside gaps and at kinks
  };
  /// `half_width_s` of the kernel; 0 chooses it by leave-one-out cross-validation: the widest that
  /// the data do not object to.
  explicit SmoothSpeed(SpeedTrace trace, double half_width_s = 0);
  Value at(double time_s) const;
  double half_width_s() const { return half_width_s_; }
  /// Scatter of single values about the smooth speed, rad/s (robust).
  double scatter() const { return scatter_; }
  const SpeedTrace& trace() const { return trace_; }

 private:
  /// A stretch without a kink.
  struct Smooth {
    double from_s = -std::numeric_limits<double>::infinity();
    double to_s = std::numeric_limits<double>::infinity();
  };
  Smooth about(double time_s) const;
  bool local_fit(double time_s, double half_width, std::size_t left_out, const Smooth& within,
                 Value& out) const;
  void find_kinks();
  double cross_validation(double half_width) const;
  double choose_half_width() const;
  SpeedTrace trace_;
  double half_width_s_ = 0;
  double scatter_ = 0;
  std::vector<double> kinks_s_;
};

}  // namespace loadline
