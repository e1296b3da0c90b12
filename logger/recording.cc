#include "logger/recording.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <system_error>
#include <thread>

#include "logger/line/frame_reader.h"

namespace loadline {
namespace {

using std::chrono::milliseconds;

constexpr auto kAttendEvery = milliseconds(50);
constexpr std::size_t kMostWaitingLive = 1'000'000;  // samples: minutes of the fastest rig
constexpr std::size_t kMostWaitingReplay = 65'536;   // a file waits gladly
/// Before a slip check the cell rests for so long, so that its zero is known.
constexpr double kRestForZeroS = 3;
/// A zero after the run may differ from the one before by this share of the largest deflection:
/// good cells drift by tenths of a per cent within a run, a load left on is far more.
constexpr double kMostZeroShift = 0.05;

/// Ends a thread's work before the objects that it works on go.
class JoinAtEnd {
 public:
  template <typename Body, typename Abort>
  JoinAtEnd(Body body, Abort abort) : abort_(abort), thread_(started(body)) {}
  JoinAtEnd(const JoinAtEnd&) = delete;
  JoinAtEnd& operator=(const JoinAtEnd&) = delete;
  ~JoinAtEnd() {
    if (!thread_.joinable()) return;
    abort_();
    thread_.join();
  }
  void join() {
    if (thread_.joinable()) thread_.join();
  }

 private:
  template <typename Body>
  static std::thread started(Body body) {
    try {
      return std::thread(body);
    } catch (const std::system_error&) {
      throw Error(Fault::kRig,
                  "the operating system gives no more threads; close programs and repeat.");
    }
  }

  std::function<void()> abort_;
  std::thread thread_;
};

}  // namespace

Recording::Recording(Clock& clock, Port& port, LineReader& reader, Book& book,
                     RecordingOptions options)
    : clock_(clock),
      port_(port),
      reader_(reader),
      book_(book),
      options_(std::move(options)),
      mailbox_(port.live() ? kMostWaitingLive : kMostWaitingReplay),
      intake_(clock, port, reader, mailbox_, options_.intake) {
  if (!options_.save_capture.empty()) capture_.emplace(options_.save_capture);
  for (const Part& part : options_.turning) speeds_.emplace_back(part.kind, SpeedWatch(part));
}

Recording::~Recording() = default;

void Recording::introduce() { intake_.introduce(); }

std::optional<WireIdentity> Recording::identity() const { return intake_.identity(); }

RecordingResult Recording::record(Run run, const LiveScale& scale, Attendant& attendant) {
  LiveMeter meter;
  intake_.attach(&meter);
  JoinAtEnd reading([this] { intake_.run(); },
                    [this] {
                      mailbox_.abandon();
                      intake_.stop();
                    });
  wait_for_first_sample(attendant);
  describe_rig(run);
  if (options_.complete) options_.complete(run, identity());
  run.id = book_.begin_run(run);
  RecordingResult result;
  result.run = run.id;
  LiveScale known = scale;
  known.arm_feels_motor =
      run.kind == RunKind::kBrake || run.kind == RunKind::kNoLoad || run.kind == RunKind::kSpinUp;
  if (const auto rig = identity()) known.describe(*rig);
  meter.begin(known);
  WriterOptions writer_options = options_.writer;
  if (const auto rig = identity()) writer_options.introduction = identity_frame(*rig);
  BookWriter writer(clock_, book_, run.id, run.tick_hz.value_or(1), mailbox_, meter,
                    capture_ ? &*capture_ : nullptr, writer_options);
  {
    JoinAtEnd writing([&writer] { writer.run(); }, [this] { mailbox_.abandon(); });
    attend(attendant, writer, meter, run.id);
    reading.join();
    writing.join();
  }
  result.end = intake_.end();
  result.book_gave_up = writer.gave_up();
  result.counts = intake_.counts();
  result.committed = writer.committed();
  result.zero_before = writer.zero_before();
  result.warnings = writer.warnings();
  result.fallback_paths = writer.fallback_paths();
  result.lost_bytes = writer.lost_bytes();
  if (const double away_s = intake_.away_s(); away_s > 0)
    result.warnings.push_back(
        fmt::format("the line was away for {:.1f} s; what the rig would have sent then is in no "
                    "count of lost samples.",
                    away_s));
  result.duration_s = static_cast<double>(intake_.span().ticks) / run.tick_hz.value_or(1);
  if (result.book_gave_up) result.why = writer.trouble();
  tell_of_speed(result);
  if (!result.book_gave_up) take_zero_after(attendant, writer, result, run);
  close_run(run, result);
  return result;
}

void Recording::wait_for_first_sample(Attendant& attendant) {
  while (!intake_.flowing() && intake_.end() == LineEnd::kNotYet) {
    attendant.show({});
    if (attendant.wants_stop()) intake_.stop();
    intake_.wait_for_flow(kAttendEvery);
  }
  if (intake_.flowing()) return;
  const LineCounts counts = intake_.counts();
  const std::string path = port_.path();
  if (intake_.end() == LineEnd::kAsked)
    throw Error(Fault::kRig, "stopped before the first sample came; the book is as before.");
  if (intake_.end() == LineEnd::kFailed) throw Error(Fault::kRig, intake_.failure());
  if (counts.bytes == 0)
    throw Error(Fault::kRig, fmt::format("'{}' gave not one byte; check that it is the capture or "
                                         "the rig's port that you mean.",
                                         path));
  if (!reader_.takes_commands())
    throw Error(
        Fault::kRig,
        fmt::format("'{}' printed no line that fits the description ({} lines did not, such "
                    "as \"{}\"); check --lines and --baud.",
                    path, counts.damaged, intake_.damaged_example()));
  if (!intake_.identity())
    throw Error(Fault::kRig,
                fmt::format("'{}' is no rig and no capture of one: {} bytes, {} whole "
                            "frames, and nobody said who it is; check the port, --baud, "
                            "and --lines for a rig that prints lines.",
                            path, counts.bytes, counts.whole));
  throw Error(Fault::kRig, fmt::format("the rig at '{}' sent no sample; look at its load-cell "
                                       "converter with 'loadline-logger probe --port {}'.",
                                       path, path));
}

void Recording::describe_rig(Run& run) const {
  run.started_utc = clock_.utc();
  run.tick_hz = intake_.tick_hz();
  const auto rig = identity();
  if (!rig) {
    run.source = RunSource::kFile;  // physical numbers, as from a file
    return;
  }
  run.source = RunSource::kRig;
  run.tick_hz = rig->tick_hz;
  if (rig->channels & kWireMotorTach) run.motor_pulses_per_turn = rig->motor_pulses_per_turn;
  if (rig->channels & kWireHandwheelTach)
    run.handwheel_pulses_per_turn = rig->handwheel_pulses_per_turn;
  if (rig->converter_millihertz > 0) run.converter_hz = rig->converter_millihertz * 1e-3;
  if ((rig->channels & kWireLoadCell) && rig->cell_delay_us != kWireDelayUnstated)
    run.cell_delay_s = rig->cell_delay_us * 1e-6;
  if (rig->channels & kWireSupply) run.supply_v_per_count = rig->supply_v_per_count;
  if (rig->channels & kWireTemperature) {
    run.temperature_c_per_count = rig->temperature_c_per_count;
    run.temperature_c_offset = rig->temperature_c_offset;
  }
  run.firmware = rig->firmware;
}

void Recording::attend(Attendant& attendant, BookWriter& writer, LiveMeter& meter,
                       std::int64_t run) {
  while (intake_.end() == LineEnd::kNotYet) {
    const RecordingView now = view(writer, meter, run);
    attendant.show(now);
    const bool slip_over = now.slip_left_s && *now.slip_left_s < 0 && now.reading.motor_at_rest;
    // Without a rest within five seconds the person has had time enough to switch off.
    const bool slip_overdue = now.slip_left_s && *now.slip_left_s < -5;
    if (attendant.wants_stop() || slip_over || slip_overdue) intake_.stop();
    if (writer.gave_up() && !options_.writer.with_fallback) intake_.stop();
    intake_.wait_for_end(kAttendEvery);
  }
}

RecordingView Recording::view(const BookWriter& writer, const LiveMeter& meter, std::int64_t run) {
  RecordingView now;
  now.run = run;
  now.reading = meter.now();
  now.counts = intake_.counts();
  now.committed = writer.committed();
  now.waiting_for_replug = intake_.waiting_for_replug();
  now.book_trouble = writer.trouble();
  now.zero_counts = meter.zero();
  now.zero_drift_nm = meter.zero_drift_nm();
  watch_standstill(now);
  watch_slip(now);
  watch_speed(now);
  return now;
}

void Recording::watch_standstill(RecordingView& view) {
  if (!options_.standstill_watched) return;
  standstill_.take(view.reading);
  if (view.reading.torque_nm) view.standstill_left_s = options_.standstill_limit_s;
  if (!standstill_.since_s()) return;
  view.standstill_s = standstill_.held_s();
  view.standstill_left_s = std::max(0.0, options_.standstill_limit_s - view.standstill_s);
  view.standstill_too_long = view.standstill_s > options_.standstill_limit_s;
  if (!view.standstill_too_long) return;
  if (late_events_.empty() || late_events_.back().length_s > view.standstill_s)
    late_events_.emplace_back();
  RunEvent& event = late_events_.back();
  event.kind = EventKind::kMarker;
  event.tick = std::llround(*standstill_.since_s() * intake_.tick_hz());
  event.length_s = view.standstill_s;
  event.detail = "the motor was held at standstill under torque";
}

void Recording::watch_slip(RecordingView& view) {
  if (!options_.slip_limit_s) return;
  const bool moving = view.reading.motor_rpm && *view.reading.motor_rpm > 0;
  if (!moving && !moving_since_s_) view.switch_on_in_s = kRestForZeroS - view.reading.elapsed_s;
  if (moving && !moving_since_s_) moving_since_s_ = view.reading.elapsed_s;
  if (moving_since_s_)
    view.slip_left_s = *options_.slip_limit_s - (view.reading.elapsed_s - *moving_since_s_);
}

void Recording::watch_speed(RecordingView& view) {
  const LiveReading& now = view.reading;
  for (auto& [kind, watch] : speeds_) {
    watch.take(kind == PartKind::kMachine ? now.handwheel_rpm : now.motor_rpm, now.elapsed_s);
    const auto alarm = watch.alarm();
    if (alarm && (!view.speed_alarm || (alarm->over && !view.speed_alarm->over)))
      view.speed_alarm = alarm;
  }
}

void Recording::tell_of_speed(RecordingResult& result) {
  for (const auto& [kind, watch] : speeds_) {
    const auto from = watch.over_from_s();
    if (!from) continue;
    result.warnings.push_back(watch.sentence() + ".");
    RunEvent event;
    event.kind = EventKind::kMarker;
    event.tick = std::llround(*from * intake_.tick_hz());
    event.length_s = watch.over_until_s() - *from;
    event.detail = watch.sentence();
    late_events_.push_back(event);
  }
}

void Recording::take_zero_after(Attendant& attendant, const BookWriter& writer,
                                RecordingResult& result, const Run& run) {
  const auto rest = writer.zeros().turned() ? writer.zeros().now() : std::nullopt;
  if (!rest) return;
  const auto reference = result.zero_before ? std::optional(result.zero_before->mean_counts)
                                            : options_.writer.usual_zero_counts;
  if (reference) {
    const double most = result.zero_before ? kMostZeroShift * writer.zeros().deflection(*reference)
                                           : options_.writer.usual_zero_tolerance;
    if (std::abs(rest->mean_counts - *reference) > std::max(most, 4 * rest->sd_counts)) {
      result.warnings.push_back(fmt::format(
          "the load cell at rest after the run read {:.0f} counts and {:.0f} before: it is still "
          "loaded, or has moved. No zero was taken after the run.",
          rest->mean_counts, *reference));
      return;
    }
  }
  if (!attendant.cell_is_free(*rest)) return;
  Zero zero;
  zero.rig = run.rig;
  zero.run = run.id;
  zero.when = ZeroMoment::kAfter;
  zero.tick = rest->tick;
  zero.mean_counts = rest->mean_counts;
  zero.sd_counts = rest->sd_counts;
  zero.conversions = rest->conversions;
  zero.made_utc = clock_.utc();
  result.zero_after = zero;
}

void Recording::close_run(Run& run, RecordingResult& result) {
  if (is_fault(result.end)) result.why = sentence_about(result.end);
  const bool whole = !is_fault(result.end) && !result.book_gave_up;
  result.state = whole ? RunState::kComplete : RunState::kInterrupted;
  const Intake::Span span = intake_.span();
  const double host_s = std::chrono::duration<double>(span.host).count();
  const bool same_pace = result.duration_s > 0 && std::abs(host_s / result.duration_s - 1) < 0.05;
  if (port_.live() && same_pace) {  // else the rig is simulated and runs faster than time
    run.host_clock_span_ns = span.host.count();
    run.rig_clock_span_ticks = span.ticks;
  }
  try {
    Book::Transaction transaction(book_);
    book_.update_run(run);
    if (result.zero_after) book_.add_zero(*result.zero_after);
    for (RunEvent event : late_events_) {
      event.run = run.id;
      book_.add_event(event);
    }
    book_.end_run(run.id, result.state);
    transaction.commit();
  } catch (const Error& error) {
    // The run stays open; whoever opens the book next closes it as interrupted.
    result.state = RunState::kInterrupted;
    result.book_gave_up = true;
    if (result.why.empty()) result.why = error.what();
  }
}

std::string Recording::sentence_about(LineEnd end) const {
  if (end == LineEnd::kHungUp)
    return fmt::format("the rig at '{}' was unplugged and did not come back", port_.path());
  if (end == LineEnd::kSilent)
    return fmt::format("the rig at '{}' fell silent; check its supply and the cable", port_.path());
  return intake_.failure();
}

}  // namespace loadline
