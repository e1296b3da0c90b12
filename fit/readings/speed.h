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

namespace loadline {

/// Median of the steps between neighbours, of a long series by some thousands of them.
double usual_step(std::span<const double> time_s);

/// The same of `count` moments that are handed on one after the other.
class UsualStep {
 public:
  explicit UsualStep(std::size_t count);
  void add(double time_s);
  double median() const;  ///< 0 before the second moment

 private:
  std::size_t stride_, seen_ = 0;
  double last_ = 0;
  std::vector<double> steps_;
};

/// How many neighbours to join into one so that no more than `most` of `rows` are left; 0: all
/// stay.
std::size_t block_for(std::size_t rows, std::size_t most);

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

/// The rows of a tachometer that hold a speed.
struct SpeedRows {
  std::vector<double> time_s;
  std::vector<double> speed;  ///< rad/s
  std::vector<bool> repeat;   ///< equal to the row before
  /// When the value of each row came up, where a display that is renewed in even steps tells; else
  /// empty.
  std::vector<double> came_s;
  double row_s = 0;  ///< usual time between rows
  /// Usual time between looks of the instrument: that of the rows, or of a display renewed less
  /// often.
  double look_s = 0;
  double digit = 0;  ///< rad/s: of the last decimal, or of one count in a gate
  std::size_t size() const { return speed.size(); }
  double came_at(std::size_t row) const { return came_s.empty() ? time_s[row] : came_s[row]; }
};
/// `rpm` may hold NaN (no value in that row).
SpeedRows speed_rows(std::span<const double> time_s, std::span<const double> rpm);

/// The last decimal that is written of all `values` (NaN: none), 10 at most.
double last_decimal(std::span<const double> values);

/// From the rows of an imported run. A value that repeats the previous one exactly, with the next
/// differing, is stale: the value after it is the mean over the whole stretch since the last new
/// one; unless it stood longer than a tachometer takes for a new one, when it was true. `rpm` may
/// hold NaN (no value in that row). Neighbouring windows are joined until no more than `most` are
/// left (0: none is). `as_read`: no value is stale.
SpeedTrace speed_from_rows(std::span<const double> time_s, std::span<const double> rpm,
                           std::size_t most = 0, bool as_read = false);

/// The edges behind the rows of an imported run, where they can be told. A tachometer that counts
/// reciprocally writes v = n·pitch/(time between edges) and repeats it until a new edge comes. Once
/// the number of pulses per turn shows itself in the stretches without an edge, every row gives the
/// exact time since the row before: n·pitch/v. Empty when the rows do not look like that: fewer
/// than six such stretches, or every number of pulses contradicted. With `known_pulses` (another
/// run of the same disc told it) the stretches need only not contradict it.
EdgeTrace edges_from_rows(std::span<const double> time_s, std::span<const double> rpm,
                          int known_pulses = 0);

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
