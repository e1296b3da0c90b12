#include "firmware-protocol/simrig/board.h"

#include <algorithm>
#include <cmath>
#include <cstring>

namespace loadline::simrig {
namespace {

/// Conversions that must be missing before the board calls the converter silent (wire.md).
constexpr int kSilentAfter = 4;

std::uint32_t wrapped(double count) {
  return static_cast<std::uint32_t>(static_cast<std::uint64_t>(std::floor(count)));
}

WireIdentity identity_of(const Scenario& s) {
  WireIdentity id{};
  id.board_number = wrapped(s.rig.board_number);
  id.tick_hz = wrapped(s.rig.tick_hz);
  id.channels = channels_of(s);
  if (s.rig.acts) id.channels = static_cast<std::uint8_t>(id.channels | kWireActs);
  id.cell_position = s.cell.position == "motor" ? kWireCellOnMotor : kWireCellOnBrake;
  if (s.motor_tach.present)
    id.motor_pulses_per_turn = static_cast<std::uint16_t>(s.motor_tach.pulses);
  if (s.handwheel_tach.present)
    id.handwheel_pulses_per_turn = static_cast<std::uint16_t>(s.handwheel_tach.pulses);
  id.converter_millihertz = wrapped(s.cell.converter_hz * 1000.0);
  const double delay_us = 1e6 * (2.0 / s.cell.converter_hz + s.cell.lag_s);
  id.cell_delay_us = s.cell.state_delay ? wrapped(delay_us + 0.5) : kWireDelayUnstated;
  id.arm_um = s.rig.state_arm ? wrapped(s.cell.arm_mm * 1000.0 + 0.5) : 0;
  id.supply_v_per_count = static_cast<float>(s.supply.volts_per_count);
  id.temperature_c_per_count = static_cast<float>(kTemperaturePerCount);
  id.temperature_c_offset = static_cast<float>(kTemperatureOffset);
  std::strncpy(id.firmware, s.rig.firmware.c_str(), kWireMaxFirmwareText);
  return id;
}

}  // namespace

std::uint8_t channels_of(const Scenario& s) {
  int channels = 0;
  if (s.cell.present) channels |= kWireLoadCell;
  if (s.motor_tach.present) channels |= kWireMotorTach;
  if (s.handwheel_tach.present) channels |= kWireHandwheelTach;
  if (s.supply.channel) channels |= kWireSupply;
  if (s.motor.temperature_channel) channels |= kWireTemperature;
  return static_cast<std::uint8_t>(channels);
}

Board::Board(const Scenario& scenario, std::optional<std::uint8_t> sequence)
    : scenario_(scenario),
      identity_(identity_of(scenario)),
      first_tick_(wrapped(scenario.rig.first_tick)),
      motor_edges_(wrapped(scenario.rig.first_edges)),
      handwheel_edges_(wrapped(scenario.rig.first_edges)) {
  wire_decoder_start(&decoder_);
  status_.reset_cause = kWirePowerOn;
  if (sequence)
    sequence_ = *sequence;
  else
    greet();
}

std::uint32_t Board::tick(double time_s) const {
  const double rate = scenario_.rig.tick_hz * (1.0 + scenario_.rig.clock_ppm * 1e-6);
  return first_tick_ + wrapped(std::max(0.0, time_s - zero_time_s_) * rate);
}

void Board::queue(std::uint8_t type, const std::uint8_t* payload, std::uint8_t size) {
  Bytes frame(kWireMaxFrame);
  frame.resize(wire_frame_encode(type, sequence_++, payload, size, frame.data(), frame.size()));
  queued_.push_back(std::move(frame));
}

void Board::send_identity() {
  std::uint8_t payload[kWireMaxPayload];
  queue(kWireIdentity, payload, wire_identity_pack(&identity_, payload));
}

void Board::send_status() {
  std::uint8_t payload[kWireMaxPayload];
  status_.streaming = streaming_ ? 1 : 0;
  status_.tick = tick(time_s_);
  status_.bad_frames = wire_dropped(&decoder_.counters);
  queue(kWireStatus, payload, wire_status_pack(&status_, payload));
}

void Board::send_error(std::uint8_t code, std::uint8_t about, const char* text) {
  WireError error{};
  error.code = code;
  error.about_type = about;
  error.tick = tick(time_s_);
  std::strncpy(error.text, text, kWireMaxErrorText);
  std::uint8_t payload[kWireMaxPayload];
  queue(kWireError, payload, wire_error_pack(&error, payload));
}

void Board::greet() {
  queued_.push_back({0});
  send_identity();
  send_status();
}

void Board::reset(double time_s, std::uint8_t cause) {
  queued_.clear();
  sequence_ = 0;
  streaming_ = false;
  time_s_ = zero_time_s_ = time_s;
  first_tick_ = 0;
  motor_edges_ = handwheel_edges_ = motor_edge_tick_ = handwheel_edge_tick_ = 0;
  silent_conversions_ = 0;
  const std::uint32_t resets = status_.resets + 1;
  status_ = WireStatus{};
  status_.resets = resets;
  status_.reset_cause = cause;
  wire_decoder_start(&decoder_);
  greet();
}

void Board::obey(const WireFrame& frame) {
  switch (frame.type) {
    case kWireWhoAreYou:
      send_identity();
      send_status();
      break;
    case kWireStart:
      streaming_ = started_ = true;
      sample_.number = 0;
      status_.samples = status_.unsent_samples = 0;
      next_status_s_ = time_s_ + 1.0;
      send_status();
      break;
    case kWireStop:
      streaming_ = false;
      send_status();
      break;
    default:
      send_error(kWireUnknownType, frame.type, "this rig does not know that message");
  }
}

void Board::receive(const std::uint8_t* bytes, std::size_t size) {
  WireFrame frame{};
  for (std::size_t at = 0; at < size;) {
    std::size_t used = 0;
    const std::uint32_t foreign = decoder_.counters.bad_version;
    if (wire_decoder_take_block(&decoder_, bytes + at, size - at, &used, &frame)) obey(frame);
    if (decoder_.counters.bad_version != foreign)
      send_error(kWireForeignVersion, 0, "this rig speaks version 1 of the wire");
    at += used;
  }
}

void Board::fill_sample(const Moment& moment, bool silent) {
  sample_.channels = static_cast<std::uint8_t>(identity_.channels & kWireAllChannels);
  if (silent) sample_.channels = static_cast<std::uint8_t>(sample_.channels & ~kWireLoadCell);
  sample_.tick = tick(moment.time_s);
  sample_.torque_counts = moment.torque_counts;
  sample_.motor_edges = motor_edges_;
  sample_.motor_edge_tick = motor_edge_tick_;
  sample_.handwheel_edges = handwheel_edges_;
  sample_.handwheel_edge_tick = handwheel_edge_tick_;
  sample_.supply_counts = moment.supply_counts;
  sample_.temperature_counts = moment.temperature_counts;
}

void Board::take(const Moment& moment, bool silent, bool unsent) {
  time_s_ = moment.time_s;
  motor_edges_ += static_cast<std::uint32_t>(moment.motor_edges.size());
  if (!moment.motor_edges.empty()) motor_edge_tick_ = tick(moment.motor_edges.back());
  handwheel_edges_ += static_cast<std::uint32_t>(moment.handwheel_edges.size());
  if (!moment.handwheel_edges.empty()) handwheel_edge_tick_ = tick(moment.handwheel_edges.back());

  silent_conversions_ = silent ? silent_conversions_ + 1 : 0;
  if (silent_conversions_ == kSilentAfter && streaming_)
    send_error(kWireConverterStuck, 0, "the load-cell converter gives no data");
  status_.faults = silent_conversions_ >= kSilentAfter ? kWireConverterSilent : 0;
  if (!streaming_) return;
  if (silent && silent_conversions_ < kSilentAfter) {
    ++status_.missed_conversions;
    return;
  }
  fill_sample(moment, silent);
  if (unsent) {
    ++status_.unsent_samples;
  } else {
    std::uint8_t payload[kWireMaxPayload];
    queue(kWireSample, payload, wire_sample_pack(&sample_, payload));
  }
  ++sample_.number;
  ++status_.samples;
  if (time_s_ >= next_status_s_) {
    send_status();
    next_status_s_ += 1.0;
  }
}

void Board::finish() {
  if (!streaming_) return;
  streaming_ = false;
  send_status();
}

std::vector<Bytes> Board::frames() {
  std::vector<Bytes> out;
  out.swap(queued_);
  return out;
}

bool Board::was_started() {
  const bool was = started_;
  started_ = false;
  return was;
}

}  // namespace loadline::simrig
