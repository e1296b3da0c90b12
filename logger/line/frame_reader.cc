#include "logger/line/frame_reader.h"

#include <fmt/format.h>

#include <cmath>

namespace loadline {
namespace {

/// Fields that a real rig fills with sense; the checksum alone is not enough for what scales a
/// whole run.
bool sensible(const WireIdentity& identity) {
  const auto finite = [](float value) { return std::isfinite(value) && std::abs(value) < 1e6F; };
  return identity.tick_hz >= 1000 && identity.channels != 0 &&
         (identity.channels & ~(kWireAllChannels | kWireActs)) == 0 &&
         identity.cell_position <= kWireCellOnMotor && identity.motor_pulses_per_turn <= 10'000 &&
         identity.handwheel_pulses_per_turn <= 10'000 && finite(identity.supply_v_per_count) &&
         finite(identity.temperature_c_per_count) && finite(identity.temperature_c_offset);
}

std::string reset_cause_text(const WireStatus& status) {
  if (status.reset_cause & kWireBrownOut) return "the rig was reset: its supply fell too low";
  if (status.reset_cause & kWireWatchdog) return "the rig was reset: its program hung";
  if (status.reset_cause & kWireResetPin) return "the rig was reset: by its button or by the host";
  return "the rig was switched off and on";
}

}  // namespace

void Haul::clear() {
  samples.clear();
  readings.clear();
  events.clear();
}

FrameReader::FrameReader() { wire_decoder_start(&decoder_); }

void FrameReader::take(std::span<const std::uint8_t> bytes, std::chrono::nanoseconds host_now,
                       Haul& into) {
  host_now_ = host_now;
  bytes_ += bytes.size();
  WireFrame frame;
  while (!bytes.empty()) {
    std::size_t used = 0;
    if (wire_decoder_take_block(&decoder_, bytes.data(), bytes.size(), &used, &frame))
      take_frame(frame, into);
    bytes = bytes.subspan(used);
  }
}

void FrameReader::take_frame(const WireFrame& frame, Haul& into) {
  if (frame.type == kWireSample) {
    WireSample sample;
    if (identity_ && wire_sample_unpack(frame.payload, frame.payload_size, &sample))
      chain_.take(sample, host_now_, into);
    else
      ++unreadable_;
  } else if (frame.type == kWireIdentity) {
    take_identity(frame, into);
  } else if (frame.type == kWireStatus) {
    take_status(frame, into);
  } else if (frame.type == kWireError) {
    take_error(frame, into);
  }
}

void FrameReader::take_identity(const WireFrame& frame, Haul& into) {
  WireIdentity identity;
  if (!wire_identity_unpack(frame.payload, frame.payload_size, &identity) || !sensible(identity)) {
    ++unreadable_;
    return;
  }
  const bool another =
      identity_ && chain_.started() &&
      (identity.tick_hz != identity_->tick_hz || identity.channels != identity_->channels ||
       identity.board_number != identity_->board_number);
  if (another) {
    // Samples of two rigs cannot stand in one run; those of the first are kept.
    event(into, EventKind::kMarker, "another rig answers on this line; the run ends here");
    stopped_ = true;
    return;
  }
  identity_ = identity;
  chain_.describe(identity);
}

void FrameReader::take_status(const WireFrame& frame, Haul& into) {
  WireStatus now;
  if (!wire_status_unpack(frame.payload, frame.payload_size, &now)) {
    ++unreadable_;
    return;
  }
  if (status_ && chain_.started()) {
    // A board that began anew has made fewer samples than arrived, on a clock that went back.
    const bool began_anew = now.samples <= chain_.last_raw().number && now.streaming == 0 &&
                            now.tick < chain_.last_raw().tick;
    const bool reset = now.resets != status_->resets || began_anew;
    if (reset) {
      if (now.reset_cause & kWireBrownOut) event(into, EventKind::kBrownOut, reset_cause_text(now));
      chain_.expect_reset(reset_cause_text(now), into);
      waits_for_start_ = now.streaming == 0;
    } else {
      report_losses_of_the_rig(*status_, now, into);
      if (now.streaming == 0) stopped_ = true;
    }
  }
  if (now.streaming != 0) waits_for_start_ = false;
  status_ = now;
}

void FrameReader::report_losses_of_the_rig(const WireStatus& before, const WireStatus& now,
                                           Haul& into) {
  const std::uint32_t unsent = now.unsent_samples - before.unsent_samples;
  const std::uint32_t conversions = now.missed_conversions - before.missed_conversions;
  const std::uint32_t edges = now.missed_edges - before.missed_edges;
  if (now.samples < before.samples) return;  // a new start: the counts began anew
  if (unsent > 0)
    event(into, EventKind::kOverrun, fmt::format("{} samples found no room on the line", unsent));
  if (conversions > 0)
    event(into, EventKind::kOverrun, fmt::format("the rig missed {} conversions", conversions));
  if (edges > 0)
    event(into, EventKind::kOverrun, fmt::format("{} edges came too fast to be timed", edges));
  if ((now.faults & kWireConverterSilent) && !(before.faults & kWireConverterSilent))
    event(into, EventKind::kMarker, "the load-cell converter is silent; check its wiring");
}

void FrameReader::take_error(const WireFrame& frame, Haul& into) {
  WireError error;
  if (!wire_error_unpack(frame.payload, frame.payload_size, &error)) {
    ++unreadable_;
    return;
  }
  if (chain_.started())
    event(into, EventKind::kMarker, fmt::format("the rig reports: {}", error.text));
}

void FrameReader::event(Haul& into, EventKind kind, std::string detail) const {
  RunEvent happened;
  happened.tick = chain_.last_tick();
  happened.kind = kind;
  happened.detail = std::move(detail);
  into.events.push_back(std::move(happened));
}

void FrameReader::finish(Haul& into) { chain_.finish(into); }

void FrameReader::line_was_cut() { wire_decoder_resume(&decoder_); }

void FrameReader::begin_run() {
  chain_.begin_run();
  stopped_ = false;
  waits_for_start_ = false;
}

double FrameReader::tick_hz() const { return identity_ ? identity_->tick_hz : 1; }

LineCounts FrameReader::counts() const {
  LineCounts counts;
  counts.bytes = bytes_;
  counts.whole = decoder_.counters.frames;
  counts.samples = chain_.delivered();
  counts.lost = chain_.lost();
  counts.repeated = chain_.repeated();
  counts.damaged = wire_dropped(&decoder_.counters) + unreadable_;
  counts.implausible = chain_.implausible();
  counts.resets = chain_.resets();
  return counts;
}

std::vector<std::uint8_t> command_frame(std::uint8_t type, std::uint8_t sequence,
                                        const std::string& text) {
  std::vector<std::uint8_t> frame(kWireMaxFrame);
  const auto size = static_cast<std::uint8_t>(std::min<std::size_t>(text.size(), kWireMaxPayload));
  frame.resize(wire_frame_encode(type, sequence, reinterpret_cast<const std::uint8_t*>(text.data()),
                                 size, frame.data(), frame.size()));
  return frame;
}

std::vector<std::uint8_t> identity_frame(const WireIdentity& identity) {
  std::uint8_t payload[kWireMaxPayload];
  const std::uint8_t size = wire_identity_pack(&identity, payload);
  std::vector<std::uint8_t> frame(kWireMaxFrame);
  frame.resize(wire_frame_encode(kWireIdentity, 0, payload, size, frame.data(), frame.size()));
  return frame;
}

}  // namespace loadline
