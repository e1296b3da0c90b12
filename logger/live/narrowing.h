// How the interval of what a run is for narrows while it is recorded, and when to stop.
//
// A process beside the recorder fits, now and then, what has been committed so far; between two
// such glances it rests three times as long as the last one took, at the lowest rank of the
// scheduler, so that they cost at most a quarter of one processor that nobody else wants. A glance
// stores nothing.
//
// When to stop: noise that averages out makes an interval fall as 1/√t, from two thirds of a run
// to its end by 1 − √(2/3) = 18 %. Where it fell by less than a quarter of that, something else
// than the run's length holds it (arm, calibration, the equation), and going on would not help.
//
// Threads: one at a time.
#pragma once

#include <chrono>
#include <nlohmann/json.hpp>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "logger/live/answers.h"
#include "logger/record_order.h"
#include "logger/recording.h"

namespace loadline {

/// One figure with its interval as the run grows.
class Narrowing {
 public:
  /// At `elapsed_s` of the run the figure lay within ± `half_width` of `value`.
  void add(double elapsed_s, double value, double half_width);
  bool empty() const { return points_.empty(); }
  /// Three glances or more within the last two thirds of the run, and the fall that is said above.
  bool enough() const;
  /// {"value", "half_width", "points": [[elapsed_s, half width in % of the value]…], "enough"}.
  Json json() const;

 private:
  struct Point {
    double elapsed_s, value, half_width;
  };
  double half_width_at(double elapsed_s) const;
  std::vector<Point> points_;
};

/// Looks at one recording.
class Glances {
 public:
  /// What stands in the book before the run is looked at together with it. `program` as of Answers.
  Glances(const Book& book, RunKind kind, const Mounting& mounting, std::string program = {});

  /// Begins a glance when it is time, takes what one has found; true when there is something new.
  bool look(const RecordingView& view);
  /// As Narrowing::json, with "figure" ("peak_power", "no_load_speed", "drag"), "unit", and of a
  /// drag the speed "rpm"; null before the first.
  Json json() const;

 private:
  using Clock = std::chrono::steady_clock;
  bool take();

  RunKind kind_;
  std::string question_, subject_;  // empty: nothing to be fitted for such a run
  Json runs_ = Json::array();       // of the subject, from before
  Answers answers_;
  Narrowing narrowing_;
  Json of_ = Json::object();
  double asked_at_s_ = 0;
  bool waiting_ = false;
  Clock::time_point began_, next_;
};

}  // namespace loadline
