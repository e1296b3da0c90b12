// What the page shows and what it orders: the meeting point of the recording and the web server.
//
// Threads: every call may come from any thread.
#pragma once

#include <cstdint>
#include <deque>
#include <nlohmann/json.hpp>
#include <optional>
#include <string>

#include "db/basis/estimate.h"
#include "db/basis/mutex.h"
#include "logger/clock.h"
#include "logger/live/coverage.h"
#include "logger/live/narrowing.h"
#include "logger/record_order.h"

namespace loadline {

class LiveDesk {
 public:
  /// Whether runs can be started from the page (`watch`), or only stopped (`record --page`).
  /// `clock` tells for how long nothing new has been heard; it must outlive the desk.
  explicit LiveDesk(bool may_start, const Clock& clock = system_clock());

  // ---- the recording's side ----------------------------------------------------------------
  /// Nothing is recorded. `trouble` says why the rig is not heard, empty when it is; `note` is what
  /// else there is to say. How the last run ended stays on the page.
  void rest(const std::string& trouble, const std::string& note = "");
  void begin(const RecordOrder& order);
  /// During a run every reading joins the trace; between runs only the last two minutes stay, and
  /// none joins the trace of a run that has just ended.
  void show(const RecordingView& view);
  void end(const RecordReport& report);
  void fail(const std::string& sentence);
  /// Who the rig says it is; empty when it is not heard, or prints lines.
  void heard(const std::optional<WireIdentity>& rig);
  /// Names to choose from, the plan's next step, the zero: whatever changes between runs only.
  void set_bench(Json bench);
  /// The calibration under way (see PageCalibration::json, and "taking"), null for none.
  void set_calibration(Json calibration);
  /// How well is known by now what the run is for (see narrowing.h), null where nothing is.
  void set_interval(Json interval);
  /// The task that the page has placed, if any (see bench_task.h); it is then taken.
  std::optional<Json> take_task();
  /// What came of it: as carry_out_task says, or {"refused": sentence}.
  void tell_of_task(Json told);
  /// The order that the page has placed, if any; it is then taken.
  std::optional<RecordOrder> take_order();
  bool stop_asked();

  // ---- the server's side -------------------------------------------------------------------
  /// The page's start button. Error(kInput) when a run is under way or the order makes no sense.
  /// Where a number looks odd and the wish has no "meant": true, nothing is ordered, and {"odd":
  /// [{"field", "value"}]} says what to ask about; else {}.
  Json place_order(const Json& wish);
  void ask_stop();
  /// Error(kInput) while a run is under way, or where runs cannot be started from the page.
  void place_task(const Json& task);
  /// Whether something is being recorded.
  bool recording() const;
  /// State as JSON with the trace's points from `from` on; `from` is set to their end.
  Json state(std::uint64_t& from) const;
  /// Waits for news, at most `patience`.
  void wait(std::chrono::milliseconds patience) const;

 private:
  enum class Phase { kIdle, kRecording, kEnded, kFailed };
  static const char* word(Phase phase);  // as the page reads it
  struct Point {
    double time_s;
    std::optional<double> motor_rpm, handwheel_rpm, torque_nm;
  };
  static const Clock& system_clock();
  void news();
  double silent_s() const REQUIRES(mutex_);
  void add_point(const LiveReading& now) REQUIRES(mutex_);
  Json points_from(std::uint64_t& from, bool& anew) const REQUIRES(mutex_);
  Json coverage_json() const REQUIRES(mutex_);

  const bool may_start_;
  const Clock& clock_;
  mutable Mutex mutex_;
  mutable Condition changed_;
  Phase phase_ GUARDED_BY(mutex_) = Phase::kIdle;
  std::string message_ GUARDED_BY(mutex_);
  std::string rig_trouble_ GUARDED_BY(mutex_);             // in the page's language
  std::string rig_trouble_english_ GUARDED_BY(mutex_);     // as it was told
  std::optional<RecordOrder> order_ GUARDED_BY(mutex_);    // under way
  std::optional<RecordOrder> waiting_ GUARDED_BY(mutex_);  // placed by the page
  std::deque<Json> tasks_ GUARDED_BY(mutex_);              // placed by the page, oldest first
  Json told_ GUARDED_BY(mutex_);                           // of the last task
  Json calibration_ GUARDED_BY(mutex_);
  Json interval_ GUARDED_BY(mutex_);
  Json rig_says_ GUARDED_BY(mutex_) = Json::object();  // of itself, as fields of a rig
  bool stop_ GUARDED_BY(mutex_) = false;
  RecordingView view_ GUARDED_BY(mutex_);
  std::chrono::nanoseconds heard_at_
      GUARDED_BY(mutex_){};  // when view_.reading last said something new
  Json rig_lacks_ GUARDED_BY(mutex_) = Json::object();  // by kind of run
  std::deque<Point> points_ GUARDED_BY(mutex_);
  std::size_t dropped_ GUARDED_BY(mutex_) = 0;  // points of this epoch that have left at the front
  std::size_t epoch_ GUARDED_BY(mutex_) = 0;    // of points_: a new run begins a new one
  double point_every_s_ GUARDED_BY(mutex_);     // grows as a run grows long
  SpeedCoverage coverage_ GUARDED_BY(mutex_);
  Json bench_ GUARDED_BY(mutex_) = Json::object();
  Json last_ GUARDED_BY(mutex_) = Json::object();  // the last run's result
};

/// Shows a recording on the desk and obeys its stop.
class PageAttendant : public Attendant {
 public:
  /// `glances` (or none) look at the recording meanwhile; they must outlive this.
  explicit PageAttendant(LiveDesk& desk, Glances* glances = nullptr)
      : desk_(desk), glances_(glances) {}
  void show(const RecordingView& view) override {
    desk_.show(view);
    if (glances_ && glances_->look(view)) desk_.set_interval(glances_->json());
  }
  bool wants_stop() override { return desk_.stop_asked(); }
  bool cell_is_free(const RestMean&) override { return true; }  // it agrees with the zero before

 private:
  LiveDesk& desk_;
  Glances* glances_;
};

}  // namespace loadline
