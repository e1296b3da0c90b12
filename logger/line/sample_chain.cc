#include "logger/line/sample_chain.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <cstdlib>

namespace loadline {
namespace {

constexpr double kWrap = 4294967296.0;       // 2^32
constexpr double kLongestPauseS = 10;        // of a converter that still lives
constexpr double kSendingDelayS = 0.02;      // by which an edge may be newer than its conversion
constexpr double kUsualPaceWeight = 0.02;    // of a new interval in the measured pace
constexpr double kUnusualPaceWeight = 0.25;  // the same when the pace has visibly changed

std::int32_t ahead(std::uint32_t later, std::uint32_t earlier) {
  return static_cast<std::int32_t>(later - earlier);
}

bool same(const WireSample& a, const WireSample& b) {
  return a.number == b.number && a.tick == b.tick && a.channels == b.channels &&
         a.torque_counts == b.torque_counts && a.motor_edges == b.motor_edges &&
         a.motor_edge_tick == b.motor_edge_tick && a.handwheel_edges == b.handwheel_edges &&
         a.handwheel_edge_tick == b.handwheel_edge_tick && a.supply_counts == b.supply_counts &&
         a.temperature_counts == b.temperature_counts;
}

bool within(std::int32_t value, std::int32_t limit) { return value >= -limit && value < limit; }

/// One tachometer of two samples, `seconds` apart; `slack` is a time between samples, in ticks.
struct TachometerStep {
  std::uint32_t edges_before, edges_after, edge_tick_before, edge_tick_after;
  std::uint32_t tick_before, tick_after;
  double most_edges, slack;

  bool fits() const {
    const std::uint32_t more = edges_after - edges_before;
    if (more == 0) return edges_after == 0 || edge_tick_after == edge_tick_before;
    if (more > most_edges) return false;
    // The newest edge lies after the sample before (else that one would have told of it) and not
    // far behind the conversion.
    return ahead(edge_tick_after, tick_after) <= slack &&
           ahead(tick_before, edge_tick_after) <= slack;
  }
};

}  // namespace

void SampleChain::describe(const WireIdentity& identity) {
  const bool first = identity_.tick_hz == 0;
  identity_ = identity;
  if (first && identity.converter_millihertz > 0)
    measured_pace_s_ = 1000.0 / identity.converter_millihertz;
}

void SampleChain::begin_run() {
  const SampleChain fresh(bench_);
  const WireIdentity identity = identity_;
  *this = fresh;
  if (identity.tick_hz > 0) describe(identity);
}

void SampleChain::expect_reset(std::string cause, Haul& into) {
  finish(into);  // what is held back is from before the reset
  reset_cause_ = std::move(cause);
}

double SampleChain::pace() const { return measured_pace_s_; }

bool SampleChain::sound_by_itself(const WireSample& sample) const {
  const unsigned missing = identity_.channels & kWireAllChannels & ~sample.channels;
  const unsigned unknown = sample.channels & ~identity_.channels;
  if ((missing & ~unsigned{kWireLoadCell}) != 0 || unknown != 0) return false;
  return within(sample.torque_counts, bench_.converter_limit) &&
         within(sample.supply_counts, bench_.adc_limit) &&
         within(sample.temperature_counts, bench_.adc_limit);
}

double SampleChain::seconds_between(const WireSample& before, const WireSample& after) const {
  const double expected = (after.number - before.number) * pace() * identity_.tick_hz;
  const double seen = after.tick - before.tick;  // modulo 2^32
  const double wraps = std::max(0.0, std::round((expected - seen) / kWrap));
  return (seen + wraps * kWrap) / identity_.tick_hz;
}

bool SampleChain::edges_fit(const WireSample& before, const WireSample& after,
                            double seconds) const {
  const double turns = bench_.highest_rpm / 60 * seconds;
  const double slack = std::max(kSendingDelayS, pace()) * identity_.tick_hz;
  const unsigned both = before.channels & after.channels;
  if (both & kWireMotorTach) {
    const TachometerStep step{before.motor_edges,
                              after.motor_edges,
                              before.motor_edge_tick,
                              after.motor_edge_tick,
                              before.tick,
                              after.tick,
                              turns * identity_.motor_pulses_per_turn + 3,
                              slack};
    if (!step.fits()) return false;
  }
  if (both & kWireHandwheelTach) {
    const TachometerStep step{before.handwheel_edges,
                              after.handwheel_edges,
                              before.handwheel_edge_tick,
                              after.handwheel_edge_tick,
                              before.tick,
                              after.tick,
                              turns * identity_.handwheel_pulses_per_turn + 3,
                              slack};
    if (!step.fits()) return false;
  }
  return true;
}

SampleChain::Fit SampleChain::fit(const WireSample& before, const WireSample& after) const {
  const std::uint32_t steps = after.number - before.number;
  if (steps == 0) return same(before, after) ? Fit::kRepeated : Fit::kNot;
  if (steps >= 0x80000000u) {
    const double back = (before.number - after.number) * pace() * identity_.tick_hz;
    const double seen = before.tick - after.tick;
    return std::abs(seen - back) <= 0.25 * back + 1 ? Fit::kRepeated : Fit::kNot;
  }
  const double seconds = seconds_between(before, after);
  if (seconds <= 0 || !edges_fit(before, after, seconds)) return Fit::kNot;
  const double expected = steps * pace();
  const double slack = bench_.pace_tolerance * expected;
  if (pace() > 0 && std::abs(seconds - expected) <= slack)
    return steps == 1 ? Fit::kNext : Fit::kLater;
  const bool late_but_possible = seconds <= expected + slack + kLongestPauseS;
  return late_but_possible && (steps == 1 || seconds >= expected - slack) ? Fit::kLater : Fit::kNot;
}

void SampleChain::take(const WireSample& sample, std::chrono::nanoseconds host_now, Haul& into) {
  if (!sound_by_itself(sample)) {
    ++implausible_;
    return;
  }
  const Arrived arrived{sample, host_now};
  if (held_) return confirm_or_hold(arrived, into);
  const Fit how = last_ && !reset_cause_ ? fit(last_->sample, sample) : Fit::kNot;
  if (how == Fit::kRepeated)
    ++repeated_;
  else if (how == Fit::kNext)
    accept_next(arrived, into);
  else
    held_ = arrived;
}

void SampleChain::confirm_or_hold(const Arrived& arrived, Haul& into) {
  const Fit to_held = fit(held_->sample, arrived.sample);
  if (to_held == Fit::kRepeated) {
    ++repeated_;
    return;
  }
  const Fit to_last = last_ && !reset_cause_ ? fit(last_->sample, arrived.sample) : Fit::kNot;
  const bool goes_on = to_last == Fit::kNext || to_last == Fit::kLater;
  const bool held_goes_on = last_ && fit(last_->sample, held_->sample) != Fit::kNot;
  // Between two samples that know each other a held one that the first does not know is damaged,
  // even when the second could follow it.
  const bool held_is_odd = goes_on && !held_goes_on;
  if (to_held != Fit::kNot && !held_is_odd) {
    const Arrived confirmed = *held_;
    held_.reset();
    if (!last_)
      accept_first(confirmed, into);
    else if (!reset_cause_ && held_goes_on)
      accept_next(confirmed, into);
    else
      accept_after_reset(confirmed, into);
    accept_next(arrived, into);
    return;
  }
  if (to_last == Fit::kRepeated) {
    ++repeated_;
    return;
  }
  ++implausible_;  // the held one: neither neighbour knows it
  held_.reset();
  if (to_last == Fit::kNext)
    accept_next(arrived, into);
  else
    held_ = arrived;
}

void SampleChain::finish(Haul& into) {
  if (!held_) return;
  const Arrived held = *held_;
  held_.reset();
  if (last_ && !reset_cause_ && fit(last_->sample, held.sample) != Fit::kNot)
    accept_next(held, into);
  else if (!last_)
    accept_first(held, into);
  else
    ++implausible_;
}

void SampleChain::accept_first(const Arrived& arrived, Haul& into) {
  // A run that begins late in the rig's own count has lost its beginning; nothing tells how much
  // of it was meant to be kept, so this is not counted as lost.
  last_tick_ = 0;
  give_out(arrived, into);
}

void SampleChain::accept_next(const Arrived& arrived, Haul& into) {
  const WireSample& before = last_->sample;
  const std::uint32_t steps = arrived.sample.number - before.number;
  const double seconds = seconds_between(before, arrived.sample);
  const bool paused = pace() > 0 && seconds > (steps + bench_.pace_tolerance) * pace();
  if (delivered_ > 1 && (steps > 1 || paused)) {
    RunEvent gap;
    gap.tick = last_tick_;
    gap.kind = EventKind::kGap;
    gap.length_s = seconds - std::min(pace(), seconds);
    gap.detail = steps > 1 ? fmt::format("{} samples did not arrive", steps - 1)
                           : "the rig made no sample for a while";
    into.events.push_back(std::move(gap));
  }
  lost_ += steps - 1;
  if (steps == 1) {
    const bool first_interval = delivered_ == 1;
    const bool usual = !first_interval && std::abs(seconds - pace()) <= 0.5 * pace();
    const double weight = first_interval || pace() <= 0 ? 1
                          : usual                       ? kUsualPaceWeight
                                                        : kUnusualPaceWeight;
    measured_pace_s_ += weight * (seconds - measured_pace_s_);
  }
  last_tick_ += std::llround(seconds * identity_.tick_hz);
  motor_.advance(before.motor_edges, arrived.sample.motor_edges);
  handwheel_.advance(before.handwheel_edges, arrived.sample.handwheel_edges);
  give_out(arrived, into);
}

void SampleChain::accept_after_reset(const Arrived& arrived, Haul& into) {
  const WireSample& before = last_->sample;
  const bool clock_went_on = !reset_cause_ && ahead(arrived.sample.tick, before.tick) > 0;
  // A clock that began anew has run for `tick` since the reset; the host's clock knows better, when
  // it was watching.
  const double own = clock_went_on ? arrived.sample.tick - before.tick : arrived.sample.tick;
  const double host =
      std::chrono::duration<double>(arrived.host - last_->host).count() * identity_.tick_hz;
  const double ticks = clock_went_on ? own : std::max(own, host);
  RunEvent event;
  event.tick = last_tick_;
  event.kind = clock_went_on ? EventKind::kGap : EventKind::kReset;
  event.length_s = ticks / identity_.tick_hz;
  event.detail = reset_cause_    ? *reset_cause_
                 : clock_went_on ? "the rig began to count its samples or edges anew"
                                 : "the rig's clock began anew without a word";
  into.events.push_back(std::move(event));
  if (!clock_went_on) ++resets_;
  reset_cause_.reset();
  last_tick_ += std::max<std::int64_t>(1, std::llround(ticks));
  motor_.begin_anew(arrived.sample.motor_edges, before.motor_edges, clock_went_on);
  handwheel_.begin_anew(arrived.sample.handwheel_edges, before.handwheel_edges, clock_went_on);
  give_out(arrived, into);
}

void SampleChain::give_out(const Arrived& arrived, Haul& into) {
  const WireSample& raw = arrived.sample;
  motor_.place_last_edge(last_tick_, raw.tick, raw.motor_edge_tick);
  handwheel_.place_last_edge(last_tick_, raw.tick, raw.handwheel_edge_tick);
  Sample sample;
  sample.tick = last_tick_;
  if (raw.channels & kWireLoadCell) sample.torque_counts = raw.torque_counts;
  if (raw.channels & kWireMotorTach) {
    sample.motor_edges = motor_.edges;
    if (motor_.edges > 0) sample.motor_edge_tick = motor_.last_edge_tick;
  }
  if (raw.channels & kWireHandwheelTach) {
    sample.handwheel_edges = handwheel_.edges;
    if (handwheel_.edges > 0) sample.handwheel_edge_tick = handwheel_.last_edge_tick;
  }
  if (raw.channels & kWireSupply) sample.supply_counts = raw.supply_counts;
  if (raw.channels & kWireTemperature) sample.temperature_counts = raw.temperature_counts;
  into.samples.push_back(sample);
  last_ = arrived;
  ++delivered_;
}

void SampleChain::Tachometer::advance(std::uint32_t before, std::uint32_t after) {
  moved = after != before;
  edges += after - before;
}

void SampleChain::Tachometer::begin_anew(std::uint32_t now, std::uint32_t before, bool went_on) {
  // After a reset the board counts from 0; edges during the reset are nobody's.
  const bool counted_on = went_on && ahead(now, before) >= 0;
  const std::uint32_t more = counted_on ? now - before : now;
  moved = more != 0;
  edges += more;
}

void SampleChain::Tachometer::place_last_edge(std::int64_t run_tick, std::uint32_t tick,
                                              std::uint32_t edge_tick) {
  if (moved) last_edge_tick = run_tick - ahead(tick, edge_tick);
  moved = false;
}

}  // namespace loadline
