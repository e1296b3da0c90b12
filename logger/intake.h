// The reading side of a recording: one thread that does nothing but take bytes from the port,
// make samples of them and put these into the mailbox; and that speaks with the rig where the
// port is two-way.
//
// Threads: run() is the body of the reading thread, whose own members the compiler follows (role
// reading_); every other call may come from any thread.
#pragma once

#include <atomic>
#include <functional>
#include <optional>
#include <string>

#include "db/basis/mutex.h"
#include "logger/clock.h"
#include "logger/line/port.h"
#include "logger/live_meter.h"
#include "logger/mailbox.h"

namespace loadline {

struct IntakeOptions {
  /// Ends the run at this time by the rig's clock.
  std::optional<double> for_s;
  /// A live rig that sends nothing whole for so long has a fault. Rigs send 10 samples a second or
  /// more and a status every second, so 5 s is far beyond any hiccup.
  double silence_s = 5;
  /// How long a pipe may keep us waiting for its first byte: its writer is perhaps not started yet.
  double pipe_patience_s = 60;
  /// How long an unplugged rig is waited for.
  double replug_s = 10;
  /// What is about to be recorded, for a rig that acts (wire.md); others are not told.
  std::string wish;
  /// How long the rig may take to stop when asked.
  double stopping_s = 0.7;
};

/// Why the reading ended.
enum class LineEnd {
  kNotYet,
  kAsked,       ///< by stop()
  kTimeUp,      ///< for_s is reached
  kEndOfInput,  ///< the file or pipe is read
  kRigStopped,  ///< the rig said that it stopped
  kHungUp,      ///< unplugged and not back in time: a fault
  kSilent,      ///< a fault
  kFailed,      ///< the port could not be read: a fault; see failure()
};
bool is_fault(LineEnd end);

class Intake {
 public:
  Intake(Clock& clock, Port& port, LineReader& reader, Mailbox& mailbox,
         const IntakeOptions& options);

  /// Asks a two-way rig who it is, stops whatever it was sending, and leaves it ready for start.
  /// Error(kRig) when nothing or nothing readable answers. Call before run(), from one thread.
  void introduce();
  /// Reads until the end. Closes the mailbox.
  void run();
  /// Asks run() to end: the rig is told to stop and what is on the way is still taken.
  void stop();

  LineEnd end() const { return end_.load(); }
  /// Waits (in real time) until the first sample is in the mailbox, or the end, or `patience`.
  void wait_for_flow(std::chrono::milliseconds patience);
  /// Waits (in real time) for the end, at most `patience`.
  void wait_for_end(std::chrono::milliseconds patience);
  std::string failure() const;
  /// Copies for the eyes of other threads, a few milliseconds old at most.
  LineCounts counts() const;
  double tick_hz() const;
  std::optional<WireIdentity> identity() const;
  /// What a damaged line looked like, for people; empty when there was none.
  std::string damaged_example() const;
  /// True while an unplugged rig is waited for.
  bool waiting_for_replug() const { return waiting_for_replug_.load(); }
  /// For how long an unplugged or restarted rig was waited for, in all and after the first sample.
  double away_s() const { return away_s_.load(); }
  /// True once the first sample was put into the mailbox.
  bool flowing() const { return flowing_.load(); }
  /// Whom to show samples to, from now on. Must outlive run().
  void attach(LiveMeter* meter) { meter_.store(meter); }

  /// Host time of the first and the latest sample, and the rig's ticks between them.
  struct Span {
    std::chrono::nanoseconds host{0};
    std::int64_t ticks = 0;
  };
  Span span() const;

 private:
  void read_once(std::chrono::milliseconds patience) REQUIRES(reading_);
  void take_bytes(std::size_t size) REQUIRES(reading_);
  void deliver() REQUIRES(reading_);
  bool cut_at_time_up() REQUIRES(reading_);
  void look_after_rig() REQUIRES(reading_);
  void wait_for_replug() REQUIRES(reading_);
  void finish(LineEnd end) REQUIRES(reading_);
  void fail() REQUIRES(reading_);
  void command(std::uint8_t type, const std::string& text = {}) REQUIRES(reading_);
  void start_rig() REQUIRES(reading_);
  bool two_way() const REQUIRES(reading_) { return port_.two_way() && reader_.takes_commands(); }
  double since(std::chrono::nanoseconds then) const;
  void await_answer(double patience_s, const std::function<bool()>& answered) REQUIRES(reading_);
  [[noreturn]] void complain_of_no_answer() const REQUIRES(reading_);
  void note_event(EventKind kind, double length_s, std::string detail) REQUIRES(reading_);
  void publish() REQUIRES(reading_);
  void tell();

  Clock& clock_;
  Port& port_;
  ThreadRole reading_;
  LineReader& reader_ GUARDED_BY(reading_);
  Mailbox& mailbox_;
  const IntakeOptions options_;
  std::vector<std::uint8_t> buffer_ GUARDED_BY(reading_);
  std::size_t got_ GUARDED_BY(reading_) = 0;
  Haul haul_ GUARDED_BY(reading_);
  std::vector<std::uint8_t> introduction_
      GUARDED_BY(reading_);  // bytes of the handshake, for the capture
  std::uint8_t sequence_ GUARDED_BY(reading_) = 0;
  std::int64_t last_tick_ GUARDED_BY(reading_) = 0;
  std::uint64_t whole_seen_ GUARDED_BY(reading_) = 0;
  std::chrono::nanoseconds last_sign_ GUARDED_BY(reading_){0};      // when something whole came
  std::chrono::nanoseconds last_question_ GUARDED_BY(reading_){0};  // when the rig was last asked
  std::chrono::nanoseconds asked_to_stop_ GUARDED_BY(reading_){-1};
  LineEnd ending_ GUARDED_BY(reading_) = LineEnd::kNotYet;  // reason, while the rig is winding down

  std::atomic<LineEnd> end_{LineEnd::kNotYet};
  std::atomic<bool> stop_{false};
  std::atomic<bool> waiting_for_replug_{false};
  std::atomic<bool> flowing_{false};
  std::atomic<double> away_s_{0};
  std::atomic<LiveMeter*> meter_{nullptr};
  mutable Mutex mutex_;
  Condition news_;
  LineCounts counts_ GUARDED_BY(mutex_);
  double tick_hz_ GUARDED_BY(mutex_) = 1;
  std::optional<WireIdentity> identity_ GUARDED_BY(mutex_);
  std::string damaged_example_ GUARDED_BY(mutex_);
  std::string failure_ GUARDED_BY(mutex_);
  std::chrono::nanoseconds first_host_ GUARDED_BY(mutex_){-1};
  std::chrono::nanoseconds latest_host_ GUARDED_BY(mutex_){0};
  std::int64_t latest_tick_ GUARDED_BY(mutex_) = 0;
};

}  // namespace loadline
