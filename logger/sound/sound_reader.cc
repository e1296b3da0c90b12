#include "logger/sound/sound_reader.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstring>

#include "db/basis/error.h"
#include "db/basis/estimate.h"
#include "db/sound_input.h"
#include "logger/sound/tone_track.h"

namespace loadline {
namespace {

// A tick of at least so many to the second; a run of the book, 2⁴² ticks, then holds a day of
// sound.
constexpr double kLeastTickHz = 25e6;
// What is looked at together, s: much of a file gives a better idea of the pulses; of a pipe
// somebody waits for the first speed.
constexpr double kFileStretch_s = 30, kPipeStretch_s = 12;
constexpr double kLongestTone_s = 900;
constexpr double kLeastRange = 0.45;  // lowest over highest speed that a tone was followed through
constexpr double kSlower = 1.03;
constexpr float kLimit = 0.999F;        // of full scale
constexpr double kMostAtLimit = 1e-3;   // of the samples
constexpr double kClockPpm = 50;        // a crystal, common practice
constexpr double kCheckedClockPpm = 5;  // it goes with the warmth

}  // namespace

SoundReader::SoundReader(const SoundPort& port, const SoundOptions& options)
    : port_(port), options_(options) {
  if (port_.rate() > 0) begin();
}

void SoundReader::begin() {
  const double rate = port_.rate() * (1 + options_.clock_ppm.value_or(0) * 1e-6);
  ticks_per_sample_ = 1;
  while (ticks_per_sample_ * rate < kLeastTickHz) ticks_per_sample_ *= 2;
  WireIdentity identity = {};
  identity.tick_hz = static_cast<std::uint32_t>(std::llround(rate * ticks_per_sample_));
  const double first = options_.tone_top_rpm ? kTonePulses : options_.pulses;
  for (Ear& ear : ears()) {
    const bool other = &ear != ears_.data();
    ear.of_motor = options_.of_motor != other;
    identity.channels |= ear.of_motor ? kWireMotorTach : kWireHandwheelTach;
    (ear.of_motor ? identity.motor_pulses_per_turn : identity.handwheel_pulses_per_turn) =
        static_cast<std::uint16_t>(other ? options_.other_pulses : first);
    ear.finder = std::make_unique<PulseFinder>(port_.rate(),
                                               port_.streams() ? kPipeStretch_s : kFileStretch_s);
  }
  const char* name = options_.clock_ppm ? kCheckedSoundInput : kSoundInput;
  std::strncpy(identity.firmware, name, kWireMaxFirmwareText);
  identity_ = identity;
}

double SoundReader::tick_hz() const { return identity_ ? identity_->tick_hz : 1; }

void SoundReader::take(std::span<const std::uint8_t> bytes, std::chrono::nanoseconds /*host_now*/,
                       Haul& into) {
  if (!identity_) begin();
  hear(bytes);
  if (options_.tone_top_rpm) {
    if (static_cast<double>(taken_) > kLongestTone_s * port_.rate())
      throw Error(
          Fault::kInput,
          fmt::format("a tone is followed through {} minutes at most; cut '{}' down to the run.",
                      kLongestTone_s / 60, port_.path()));
    whole_.insert(whole_.end(), ears_[0].samples.begin(), ears_[0].samples.end());
    return;
  }
  for (Ear& ear : ears()) ear.finder->take(ear.samples, ear.edges);
  deliver(into);
}

// Shares the floats out among the sensors.
void SoundReader::hear(std::span<const std::uint8_t> bytes) {
  const std::size_t count = ears().size(), frames = bytes.size() / sizeof(float) / count;
  // The first sensor is on the left unless its channel is the right one.
  const std::size_t swap = count == 2 && options_.channel == SoundPort::Channel::kRight ? 1 : 0;
  for (std::size_t e = 0; e < count; ++e) {
    Ear& ear = ears_[e];
    ear.samples.resize(frames);
    for (std::size_t i = 0; i < frames; ++i) {
      const std::size_t at = i * count + (e ^ swap);
      std::memcpy(&ear.samples[i], bytes.data() + at * sizeof(float), sizeof(float));
      ear.at_limit += std::fabs(ear.samples[i]) >= kLimit ? 1 : 0;
    }
  }
  bytes_ += bytes.size();
  ++blocks_;
  taken_ += frames;
}

// As a rig sends it: of each tachometer the edges so far and the last one's tick.
void SoundReader::add_sample(std::int64_t tick, Haul& into) {
  if (tick <= last_tick_) return;
  Sample sample;
  sample.tick = tick;
  for (const Ear& ear : ears()) {
    (ear.of_motor ? sample.motor_edges : sample.handwheel_edges) = ear.count;
    (ear.of_motor ? sample.motor_edge_tick : sample.handwheel_edge_tick) = ear.last_tick;
  }
  into.samples.push_back(sample);
  last_tick_ = tick;
  ++delivered_;
}

// Both channels are looked through up to the same moment, so what is found later is later.
void SoundReader::deliver(Haul& into) {
  struct Next {
    double at = 0;
    int step = 0;
    Ear* ear = nullptr;
  };
  std::vector<Next> all;
  for (Ear& ear : ears()) {
    for (const SoundEdge& edge : ear.edges) {
      all.push_back({edge.at, edge.step, &ear});
      ear.shortest = std::min(ear.shortest, edge.period);
      ear.slower += edge.period > kSlower * ear.shortest ? 1 : 0;
    }
    ear.edges.clear();
  }
  std::sort(all.begin(), all.end(), [](const Next& a, const Next& b) { return a.at < b.at; });
  for (const Next& next : all) {
    if (delivered_ == 0) add_sample(0, into);
    const std::int64_t tick = std::llround(next.at * ticks_per_sample_);
    if (tick <= next.ear->last_tick.value_or(0)) continue;
    next.ear->count += std::max(1, next.step);
    next.ear->last_tick = tick;
    add_sample(std::max(tick, last_tick_ + 1), into);  // two shafts may have an edge in one tick
  }
}

void SoundReader::finish(Haul& into) {
  if (finished_) return;
  finished_ = true;
  if (!identity_) return;
  if (options_.tone_top_rpm)
    follow();
  else
    for (Ear& ear : ears()) ear.finder->finish(ear.edges);
  deliver(into);
  if (delivered_ == 0)
    throw Error(
        Fault::kInput,
        fmt::format("no pulses that belong to a turning shaft were found in {} s of '{}'; "
                    "listen to it: each mark must be heard, louder than all else.",
                    significant(static_cast<double>(taken_) / port_.rate(), 3), port_.path()));
  // The rest of the take without an edge tells that the shaft stood.
  add_sample(static_cast<std::int64_t>(taken_) * ticks_per_sample_, into);
  RunEvent event;
  event.kind = EventKind::kMarker;
  event.detail = words();
  into.events.push_back(std::move(event));
}

void SoundReader::follow() {
  const ToneCourse course =
      follow_tone(std::move(whole_), port_.rate(), *options_.tone_top_rpm / 60);
  if (!course.why.empty())
    throw Error(Fault::kInput,
                fmt::format("in '{}' {}; state the speed better (--top-rpm), record nearer to the "
                            "machine, or put a mark on its wheel (--pulses).",
                            port_.path(), course.why));
  std::vector<SoundEdge>& edges = ears_[0].edges;
  edges = course.edges;
  double longest = 0, shortest = 1e300;
  for (const SoundEdge& edge : edges) {
    longest = std::max(longest, edge.period);
    shortest = std::min(shortest, edge.period);
  }
  if (options_.needs_range && shortest > kLeastRange * longest)
    throw Error(
        Fault::kInput,
        fmt::format("in '{}' the shaft was followed from {} to {} rpm only, too little of its "
                    "speeds for a curve; put a mark on its wheel (--pulses).",
                    port_.path(), significant(15 * port_.rate() / longest, 3),
                    significant(15 * port_.rate() / shortest, 3)));
  std::vector<double> sds;
  for (const SoundEdge& edge : edges) sds.push_back(edge.sd / port_.rate());
  std::sort(sds.begin(), sds.end());
  tone_sd_s_ = sds[sds.size() / 2];
}

std::string SoundReader::words() const {
  const SoundFindings found = *sound();
  const auto sensor = [](const SensorFindings& one) {
    return fmt::format(
        "{} edges known to {} µs each (standard uncertainty by noise), {} lost, {} "
        "doubled",
        one.edges, significant(one.timing_s * 1e6, 2), one.lost, one.doubled);
  };
  std::string edges = sensor(found);
  if (found.other) edges += fmt::format("; of the {} {}", found.other_shaft, sensor(*found.other));
  return fmt::format(
      "sound take '{}', SHA-256 {}, {} samples a second; {}; clock {} within {} millionths",
      port_.path(), found.take_hash, port_.rate(), edges,
      options_.clock_ppm ? "checked" : "not checked, taken as right",
      significant(found.clock_sd_ppm, 2));
}

LineCounts SoundReader::counts() const {
  LineCounts counts;
  counts.bytes = bytes_;
  counts.whole = blocks_;
  counts.samples = delivered_;
  return counts;
}

SensorFindings SoundReader::findings(const Ear& ear) const {
  SensorFindings found;
  found.edges =
      options_.tone_top_rpm ? static_cast<std::uint64_t>(ear.count) : ear.finder->counts().edges;
  found.lost = ear.finder->counts().lost;
  found.doubled = ear.finder->counts().doubled;
  found.slower = ear.slower;
  found.timing_s = options_.tone_top_rpm ? tone_sd_s_ : ear.finder->usual_sd_s();
  return found;
}

std::optional<SoundFindings> SoundReader::sound() const {
  if (!identity_) return std::nullopt;
  SoundFindings found;
  static_cast<SensorFindings&>(found) = findings(ears_[0]);
  if (options_.other_pulses > 0) {
    found.other = findings(ears_[1]);
    found.other_shaft = ears_[1].of_motor ? "motor" : "hand wheel";
  }
  found.rate_hz = port_.rate();
  found.clock_sd_ppm = options_.clock_ppm ? kCheckedClockPpm : kClockPpm;
  for (const Ear& ear : ears_)
    found.clipped = found.clipped ||
                    static_cast<double>(ear.at_limit) > kMostAtLimit * static_cast<double>(taken_);
  found.take_hash = port_.content_hash();
  return found;
}

}  // namespace loadline
