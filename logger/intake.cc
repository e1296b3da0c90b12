#include "logger/intake.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/error.h"
#include "logger/line/frame_reader.h"

namespace loadline {
namespace {

using std::chrono::milliseconds;
using std::chrono::nanoseconds;

constexpr std::size_t kBufferSize = 1 << 16;
constexpr auto kLook = milliseconds(100);   // how long a read waits before it looks around
constexpr auto kGather = milliseconds(5);   // a slow line is read in portions, not byte by byte
constexpr std::size_t kSlowPortion = 1024;  // bytes; less than that in one read is a slow line
constexpr double kAnswerS = 0.5;            // a rig answers within a few milliseconds
constexpr int kQuestions = 6;               // a board that resets on opening needs about 2 s
constexpr double kAskAgainS = 1;

}  // namespace

bool is_fault(LineEnd end) {
  return end == LineEnd::kHungUp || end == LineEnd::kSilent || end == LineEnd::kFailed;
}

Intake::Intake(Clock& clock, Port& port, LineReader& reader, Mailbox& mailbox,
               const IntakeOptions& options)
    : clock_(clock),
      port_(port),
      reader_(reader),
      mailbox_(mailbox),
      options_(options),
      buffer_(kBufferSize) {}

double Intake::since(nanoseconds then) const {
  return std::chrono::duration<double>(clock_.now() - then).count();
}

void Intake::command(std::uint8_t type, const std::string& text) {
  const auto frame = command_frame(type, sequence_++, text);
  port_.write(frame);
}

void Intake::start_rig() {
  const auto& rig = reader_.identity();
  command(kWireStart, rig && (rig->channels & kWireActs) ? options_.wish : "");
}

void Intake::introduce() {
  reading_.play();  // run() has not begun
  if (!two_way()) return;
  // A zero first: whatever stood half-sent on the line ends there.
  const std::uint8_t zero[] = {0};
  port_.write(zero);
  const auto ready = [&]() REQUIRES(reading_) {
    return reader_.introduced() && reader_.status() && !reader_.status()->streaming;
  };
  for (int question = 0; question < kQuestions && !ready(); ++question) {
    command(kWireStop);
    command(kWireWhoAreYou);
    await_answer(kAnswerS, ready);
  }
  if (!reader_.introduced()) complain_of_no_answer();
  publish();
}

void Intake::await_answer(double patience_s, const std::function<bool()>& answered) {
  const auto began = clock_.now();
  while (!answered() && since(began) < patience_s) {
    const Port::Got got = port_.read(buffer_, kLook);
    if (got.outcome == Port::Outcome::kHangUp)
      throw Error(Fault::kRig, fmt::format("'{}' hung up before the rig said who it is; plug it in "
                                           "again and repeat the command.",
                                           port_.path()));
    if (got.outcome != Port::Outcome::kBytes) continue;
    const std::span bytes(buffer_.data(), got.size);
    Haul unused;
    reader_.take(bytes, clock_.now(), unused);
    introduction_.insert(introduction_.end(), bytes.begin(), bytes.end());
  }
}

void Intake::complain_of_no_answer() const {
  const LineCounts counts = reader_.counts();
  if (counts.bytes == 0)
    throw Error(Fault::kRig,
                fmt::format("'{}' is silent: no rig answers there; check the cable and the rig's "
                            "supply, and that this is the rig's port ('loadline-logger ports').",
                            port_.path()));
  throw Error(
      Fault::kRig,
      fmt::format("'{}' sends bytes that are not a rig's ({} bytes, {} whole frames); check "
                  "--baud, or describe the columns with --lines if the rig prints numbers.",
                  port_.path(), counts.bytes, counts.whole));
}

void Intake::run() {
  reading_.play();
  try {
    if (two_way()) {
      reader_.begin_run();
      start_rig();
    }
    last_sign_ = last_question_ = clock_.now();
    if (!introduction_.empty()) {
      Haul nothing;
      mailbox_.put(nothing, introduction_);
    }
    while (end() == LineEnd::kNotYet) {
      read_once(kLook);
      look_after_rig();
    }
  } catch (const std::exception& error) {
    {
      const Lock lock(mutex_);
      failure_ = error.what();
    }
    fail();
  }
  mailbox_.close();
}

void Intake::read_once(milliseconds patience) {
  const Port::Got got = port_.read(buffer_, patience);
  switch (got.outcome) {
    case Port::Outcome::kBytes:
      take_bytes(got.size);
      break;
    case Port::Outcome::kQuiet:
      break;
    case Port::Outcome::kEnd:
      finish(LineEnd::kEndOfInput);
      break;
    case Port::Outcome::kHangUp:
      if (ending_ != LineEnd::kNotYet || reader_.rig_stopped())
        finish(ending_ != LineEnd::kNotYet ? ending_ : LineEnd::kRigStopped);
      else
        wait_for_replug();
      break;
  }
}

void Intake::take_bytes(std::size_t size) {
  got_ = size;
  reader_.take({buffer_.data(), size}, port_.live() ? clock_.now() : nanoseconds(0), haul_);
  deliver();
  if (port_.live() && size < kSlowPortion) clock_.sleep_for(kGather);
}

void Intake::deliver() {
  const bool time_up = cut_at_time_up();
  if (!haul_.samples.empty()) last_tick_ = haul_.samples.back().tick;
  if (!haul_.readings.empty())
    last_tick_ = std::llround(haul_.readings.back().time_s * reader_.tick_hz());
  const bool brought_samples = !haul_.samples.empty() || !haul_.readings.empty();
  if (LiveMeter* meter = meter_.load()) meter->take(haul_);
  publish();
  mailbox_.put(haul_, {buffer_.data(), got_});
  got_ = 0;
  if (brought_samples && !flowing()) {
    flowing_.store(true);
    tell();
  }
  if (time_up && ending_ == LineEnd::kNotYet) {
    ending_ = LineEnd::kTimeUp;
    asked_to_stop_ = clock_.now();
    if (two_way())
      command(kWireStop);
    else
      finish(LineEnd::kTimeUp);
  }
}

bool Intake::cut_at_time_up() {
  if (!options_.for_s) return false;
  const double last = *options_.for_s * reader_.tick_hz();
  const auto beyond = [&](const Sample& sample) { return static_cast<double>(sample.tick) > last; };
  const auto later = [&](const ImportedReading& reading) {
    return reading.time_s > *options_.for_s;
  };
  const auto samples = std::find_if(haul_.samples.begin(), haul_.samples.end(), beyond);
  const auto readings = std::find_if(haul_.readings.begin(), haul_.readings.end(), later);
  const bool up = samples != haul_.samples.end() || readings != haul_.readings.end();
  haul_.samples.erase(samples, haul_.samples.end());
  haul_.readings.erase(readings, haul_.readings.end());
  return up || (ending_ == LineEnd::kTimeUp);
}

void Intake::publish() {
  const LineCounts counts = reader_.counts();
  if (counts.whole != whole_seen_) last_sign_ = clock_.now();
  whole_seen_ = counts.whole;
  const Lock lock(mutex_);
  counts_ = counts;
  tick_hz_ = reader_.tick_hz();
  if (!identity_ && reader_.identity()) identity_ = reader_.identity();
  if (damaged_example_.empty()) damaged_example_ = reader_.damaged_example();
  if (haul_.samples.empty() && haul_.readings.empty()) return;
  latest_host_ = clock_.now();
  latest_tick_ = last_tick_;
  if (first_host_.count() < 0) first_host_ = latest_host_;
}

void Intake::look_after_rig() {
  if (end() != LineEnd::kNotYet) return;
  if (stop_.load() && ending_ == LineEnd::kNotYet) {
    ending_ = LineEnd::kAsked;
    asked_to_stop_ = clock_.now();
    if (two_way())
      command(kWireStop);
    else
      return finish(LineEnd::kAsked);
  }
  if (ending_ != LineEnd::kNotYet) {
    if (reader_.rig_stopped() || since(asked_to_stop_) > options_.stopping_s || !reader_.identity())
      finish(ending_);
    return;
  }
  if (reader_.rig_stopped()) return finish(LineEnd::kRigStopped);
  if (!port_.live()) {
    const double patience = flowing() ? HUGE_VAL : options_.pipe_patience_s;
    if (since(last_sign_) > patience) finish(LineEnd::kSilent);
    return;
  }
  if (since(last_sign_) > options_.silence_s) return finish(LineEnd::kSilent);
  if (!two_way()) return;
  if (reader_.rig_waits_for_start() && since(last_question_) > 0.2) {
    last_question_ = clock_.now();
    start_rig();
  } else if (since(last_sign_) > kAskAgainS && since(last_question_) > kAskAgainS) {
    last_question_ = clock_.now();
    flowing() ? command(kWireWhoAreYou) : start_rig();
  }
}

void Intake::wait_for_replug() {
  const auto began = clock_.now();
  waiting_for_replug_.store(true);
  note_event(EventKind::kHangUp, 0, fmt::format("'{}' was unplugged", port_.path()));
  while (!stop_.load() && since(began) < options_.replug_s) {
    clock_.sleep_for(milliseconds(250));
    if (!port_.reopen()) continue;
    waiting_for_replug_.store(false);
    reader_.line_was_cut();
    if (flowing()) away_s_ = away_s_ + since(began);
    note_event(EventKind::kResumed, since(began), fmt::format("'{}' is back", port_.path()));
    last_sign_ = last_question_ = clock_.now();
    if (two_way()) command(kWireWhoAreYou);
    return;
  }
  waiting_for_replug_.store(false);
  finish(stop_.load() ? LineEnd::kAsked : LineEnd::kHungUp);
}

void Intake::note_event(EventKind kind, double length_s, std::string detail) {
  if (!flowing()) return;  // nothing is lost of a run that has not begun
  RunEvent event;
  event.tick = last_tick_;
  event.kind = kind;
  event.length_s = length_s;
  event.detail = std::move(detail);
  haul_.events.push_back(std::move(event));
  mailbox_.put(haul_, {});
}

void Intake::finish(LineEnd end) {
  reader_.finish(haul_);
  if (ending_ != LineEnd::kTimeUp) {
    deliver();
  } else if (reader_.sound()) {  // what is said of the whole take stays, what came later is cut
    haul_.samples.clear();
    mailbox_.put(haul_, {});
  }
  haul_.clear();
  publish();
  end_.store(end);
  tell();
}

void Intake::fail() {
  try {
    finish(LineEnd::kFailed);
  } catch (const std::exception&) {
    // What was held back goes the way of what could not be delivered before.
    end_.store(LineEnd::kFailed);
    tell();
  }
}

void Intake::tell() {
  // The lock orders this with a waiter that has just looked and is about to wait.
  const Lock lock(mutex_);
  news_.notify_all();
}

void Intake::wait_for_flow(milliseconds patience) {
  Lock lock(mutex_);
  news_.wait_for(lock, patience, [&] { return flowing() || end() != LineEnd::kNotYet; });
}

void Intake::wait_for_end(milliseconds patience) {
  Lock lock(mutex_);
  news_.wait_for(lock, patience, [&] { return end() != LineEnd::kNotYet; });
}

void Intake::stop() {
  stop_.store(true);
  port_.wake();
}

std::string Intake::failure() const {
  const Lock lock(mutex_);
  return failure_;
}

LineCounts Intake::counts() const {
  const Lock lock(mutex_);
  return counts_;
}

double Intake::tick_hz() const {
  const Lock lock(mutex_);
  return tick_hz_;
}

std::optional<WireIdentity> Intake::identity() const {
  const Lock lock(mutex_);
  return identity_;
}

std::string Intake::damaged_example() const {
  const Lock lock(mutex_);
  return damaged_example_;
}

Intake::Span Intake::span() const {
  const Lock lock(mutex_);
  if (first_host_.count() < 0) return {};
  return {latest_host_ - first_host_, latest_tick_};
}

}  // namespace loadline
