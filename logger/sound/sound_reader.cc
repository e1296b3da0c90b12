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
constexpr double kLeastRange = 0.45;   // lowest over highest speed that a tone was followed through
constexpr float kLimit = 0.999F;       // of full scale
constexpr double kMostAtLimit = 1e-3;  // of the samples
constexpr double kClockPpm = 50;       // a crystal, common practice
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
  identity.channels = options_.of_motor ? kWireMotorTach : kWireHandwheelTach;
  auto& pulses =
      options_.of_motor ? identity.motor_pulses_per_turn : identity.handwheel_pulses_per_turn;
  pulses = static_cast<std::uint16_t>(options_.tone_top_rpm ? kTonePulses : options_.pulses);
  const char* name = options_.clock_ppm ? kCheckedSoundInput : kSoundInput;
  std::strncpy(identity.firmware, name, kWireMaxFirmwareText);
  identity_ = identity;
  finder_ = std::make_unique<PulseFinder>(port_.rate(),
                                          port_.streams() ? kPipeStretch_s : kFileStretch_s);
}

double SoundReader::tick_hz() const { return identity_ ? identity_->tick_hz : 1; }

void SoundReader::take(std::span<const std::uint8_t> bytes, std::chrono::nanoseconds /*host_now*/,
                       Haul& into) {
  if (!finder_) begin();
  samples_.resize(bytes.size() / sizeof(float));
  std::memcpy(samples_.data(), bytes.data(), samples_.size() * sizeof(float));
  bytes_ += bytes.size();
  ++blocks_;
  taken_ += samples_.size();
  for (const float sample : samples_) at_limit_ += std::fabs(sample) >= kLimit ? 1 : 0;
  if (options_.tone_top_rpm) {
    if (static_cast<double>(taken_) > kLongestTone_s * port_.rate())
      throw Error(
          Fault::kInput,
          fmt::format("a tone is followed through {} minutes at most; cut '{}' down to the run.",
                      kLongestTone_s / 60, port_.path()));
    whole_.insert(whole_.end(), samples_.begin(), samples_.end());
    return;
  }
  finder_->take(samples_, edges_);
  deliver(into);
}

void SoundReader::add_sample(std::int64_t tick, std::optional<std::int64_t> edge_tick, Haul& into) {
  if (tick <= last_tick_) return;
  Sample sample;
  sample.tick = tick;
  (options_.of_motor ? sample.motor_edges : sample.handwheel_edges) = edge_count_;
  (options_.of_motor ? sample.motor_edge_tick : sample.handwheel_edge_tick) = edge_tick;
  into.samples.push_back(sample);
  last_tick_ = tick;
  ++delivered_;
}

void SoundReader::deliver(Haul& into) {
  for (const SoundEdge& edge : edges_) {
    const std::int64_t tick = std::llround(edge.at * ticks_per_sample_);
    if (delivered_ == 0) add_sample(0, std::nullopt, into);
    if (tick <= last_tick_) continue;
    edge_count_ += std::max(1, edge.step);
    add_sample(tick, tick, into);
    last_edge_tick_ = tick;
  }
  edges_.clear();
}

void SoundReader::finish(Haul& into) {
  if (finished_) return;
  finished_ = true;
  if (!finder_) return;
  if (options_.tone_top_rpm)
    follow();
  else
    finder_->finish(edges_);
  deliver(into);
  if (delivered_ == 0)
    throw Error(
        Fault::kInput,
        fmt::format("no pulses that belong to a turning shaft were found in {} s of '{}'; "
                    "listen to it: each mark must be heard, louder than all else.",
                    significant(static_cast<double>(taken_) / port_.rate(), 3), port_.path()));
  // The rest of the take without an edge tells that the shaft stood.
  add_sample(static_cast<std::int64_t>(taken_) * ticks_per_sample_, last_edge_tick_, into);
  RunEvent event;
  event.kind = "marker";
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
  edges_ = course.edges;
  double longest = 0, shortest = 1e300;
  for (const SoundEdge& edge : edges_) {
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
  for (const SoundEdge& edge : edges_) sds.push_back(edge.sd / port_.rate());
  std::sort(sds.begin(), sds.end());
  tone_sd_s_ = sds[sds.size() / 2];
}

std::string SoundReader::words() const {
  const SoundFindings found = *sound();
  return fmt::format(
      "sound take '{}', SHA-256 {}, {} samples a second; {} edges known to {} µs each (standard "
      "uncertainty by noise), {} lost, {} doubled; clock {} within {} millionths",
      port_.path(), found.take_hash, port_.rate(), found.edges,
      significant(found.timing_s * 1e6, 2), found.lost, found.doubled,
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

std::optional<SoundFindings> SoundReader::sound() const {
  if (!finder_) return std::nullopt;
  SoundFindings found;
  found.rate_hz = port_.rate();
  found.edges =
      options_.tone_top_rpm ? static_cast<std::uint64_t>(edge_count_) : finder_->counts().edges;
  found.lost = finder_->counts().lost;
  found.doubled = finder_->counts().doubled;
  found.timing_s = options_.tone_top_rpm ? tone_sd_s_ : finder_->usual_sd_s();
  found.clock_sd_ppm = options_.clock_ppm ? kCheckedClockPpm : kClockPpm;
  found.clipped = static_cast<double>(at_limit_) > kMostAtLimit * static_cast<double>(taken_);
  found.take_hash = port_.content_hash();
  return found;
}

}  // namespace loadline
