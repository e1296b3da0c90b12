// One run, from the first byte to its end in the book: the reading thread, the writing thread and
// the loop that watches both and lets somebody steer.
//
// Nothing here computes more than a live figure; no fit can cost a sample.
#pragma once

#include <functional>
#include <memory>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "db/book.h"
#include "logger/book_writer.h"
#include "logger/clock.h"
#include "logger/intake.h"
#include "logger/line/port.h"
#include "logger/live_meter.h"
#include "logger/speed_watch.h"
#include "logger/standstill_watch.h"

namespace loadline {

struct RecordingOptions {
  IntakeOptions intake;
  WriterOptions writer;
  std::string save_capture;  ///< where the raw bytes go besides; empty for nowhere
  /// A motor that is held at standstill under voltage overheats in seconds; after this long there
  /// is a warning, and an event in the run.
  double standstill_limit_s = 2;
  bool standstill_watched = false;  ///< for the kinds in which a motor can be held
  /// Of slip checks: the time from the first movement for which the belt may slip. Empty otherwise.
  std::optional<double> slip_limit_s;
  /// The parts that turn, for the speeds that they may have; see SpeedWatch.
  std::vector<Part> turning;
  /// Called once, when the first sample has come and before the run stands in the book, with what
  /// the rig said of itself (nothing of a rig that prints lines); may complete the run. Empty for
  /// nothing to complete.
  std::function<void(Run& run, const std::optional<WireIdentity>& identity)> complete;
};

/// What somebody who watches a recording sees, some ten times a second.
struct RecordingView {
  std::int64_t run = 0;  ///< 0 until the first samples have come
  LiveReading reading;
  LineCounts counts;
  std::uint64_t committed = 0;
  double standstill_s = 0;  ///< so long has the motor stood still under torque
  bool standstill_too_long = false;
  std::optional<double> standstill_left_s;  ///< of the kinds in which a motor can be held
  std::optional<SpeedAlarm> speed_alarm;    ///< the worse of motor and machine
  std::optional<double> switch_on_in_s;     ///< of a slip check, before the movement; below 0: now
  std::optional<double> slip_left_s;        ///< of a slip check, from the first movement on
  bool waiting_for_replug = false;
  std::optional<double> zero_counts;    ///< of the run, once it is known
  std::optional<double> zero_drift_nm;  ///< since the rig's last zero, once both are known
  std::string book_trouble;
};

/// Whoever stands by: a terminal, a page, a test. Called from one thread.
class Attendant {
 public:
  virtual ~Attendant() = default;
  virtual void show(const RecordingView& view) = 0;
  virtual bool wants_stop() = 0;
  /// The run is over and the shaft at rest: is the cell free of load, so that this is its zero?
  virtual bool cell_is_free(const RestMean& rest) = 0;
};

struct RecordingResult {
  std::int64_t run = 0;
  RunState state = RunState::kComplete;
  LineEnd end = LineEnd::kNotYet;
  bool book_gave_up = false;
  double duration_s = 0;  ///< by the rig's clock
  LineCounts counts;
  std::uint64_t committed = 0;
  std::optional<Zero> zero_before, zero_after;
  std::vector<std::string> warnings;
  std::vector<std::string> fallback_paths;
  std::uint64_t lost_bytes = 0;  ///< of the line, for which neither book nor fallback had room
  std::string why;               ///< a sentence when the run did not end as it should
};

class Recording {
 public:
  /// All references must outlive the Recording. The book is used by the writing thread until
  /// record() returns. Error(kInput) when the capture cannot be made.
  Recording(Clock& clock, Port& port, LineReader& reader, Book& book, RecordingOptions options);
  ~Recording();

  /// Asks the rig who it is; see Intake::introduce. Does nothing on a port that only tells.
  void introduce();
  /// What is known of the rig; empty for rigs that print lines, and on a one-way port before
  /// record().
  std::optional<WireIdentity> identity() const;

  /// Records until the attendant, the time or the line ends it. `run` is what was mounted; what the
  /// rig says of itself is filled in. `calibration` and `zero` are for the live figures.
  /// Error(kRig) when not one sample comes: then the book is as before.
  RecordingResult record(Run run, const LiveScale& scale, Attendant& attendant);

 private:
  void wait_for_first_sample(Attendant& attendant);
  void describe_rig(Run& run) const;
  void attend(Attendant& attendant, BookWriter& writer, LiveMeter& meter, std::int64_t run);
  RecordingView view(const BookWriter& writer, const LiveMeter& meter, std::int64_t run);
  void watch_standstill(RecordingView& view);
  void watch_slip(RecordingView& view);
  void watch_speed(RecordingView& view);
  void tell_of_speed(RecordingResult& result);
  void take_zero_after(Attendant& attendant, const BookWriter& writer, RecordingResult& result,
                       const Run& run);
  void close_run(Run& run, RecordingResult& result);
  std::string sentence_about(LineEnd end) const;

  Clock& clock_;
  Port& port_;
  LineReader& reader_;
  Book& book_;
  RecordingOptions options_;
  std::optional<RawCapture> capture_;
  Mailbox mailbox_;
  Intake intake_;
  StandstillWatch standstill_;
  std::vector<std::pair<PartKind, SpeedWatch>> speeds_;
  std::optional<double> moving_since_s_;
  std::vector<RunEvent> late_events_;
};

}  // namespace loadline
