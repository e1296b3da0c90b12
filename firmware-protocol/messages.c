#include "firmware-protocol/messages.h"

#include <string.h>

static uint8_t* put8(uint8_t* at, uint8_t value) {
  *at = value;
  return at + 1;
}

static uint8_t* put16(uint8_t* at, uint16_t value) {
  at[0] = (uint8_t)(value & 0xFF);
  at[1] = (uint8_t)(value >> 8);
  return at + 2;
}

static uint8_t* put32(uint8_t* at, uint32_t value) {
  return put16(put16(at, (uint16_t)(value & 0xFFFF)), (uint16_t)(value >> 16));
}

/* A float travels as its IEEE 754 single-precision bits, which is what both compilers hold. */
static uint8_t* put_float(uint8_t* at, float value) {
  uint32_t bits;
  memcpy(&bits, &value, sizeof bits);
  return put32(at, bits);
}

static uint8_t text_length(const char* text, uint8_t most) {
  uint8_t length = 0;
  while (length < most && text[length] != 0) ++length;
  return length;
}

static uint8_t* put_text(uint8_t* at, const char* text, uint8_t most) {
  const uint8_t length = text_length(text, most);
  at = put8(at, length);
  memcpy(at, text, length);
  return at + length;
}

static uint16_t get16(const uint8_t** at) {
  const uint16_t value = (uint16_t)((*at)[0] | ((uint16_t)(*at)[1] << 8));
  *at += 2;
  return value;
}

static uint32_t get32(const uint8_t** at) {
  const uint32_t low = get16(at);
  return low | ((uint32_t)get16(at) << 16);
}

/* Two's complement without leaning on what the compiler does with an out-of-range conversion. */
static int32_t get_signed(const uint8_t** at) {
  const uint32_t bits = get32(at);
  int32_t value;
  memcpy(&value, &bits, sizeof value);
  return value;
}

static float get_float(const uint8_t** at) {
  const uint32_t bits = get32(at);
  float value;
  memcpy(&value, &bits, sizeof value);
  return value;
}

uint8_t wire_identity_pack(const WireIdentity* m, uint8_t payload[kWireMaxPayload]) {
  uint8_t* at = put32(payload, m->board_number);
  at = put32(at, m->tick_hz);
  at = put8(at, m->channels);
  at = put8(at, m->cell_position);
  at = put16(at, m->motor_pulses_per_turn);
  at = put16(at, m->handwheel_pulses_per_turn);
  at = put32(at, m->converter_millihertz);
  at = put32(at, m->cell_delay_us);
  at = put32(at, m->arm_um);
  at = put_float(at, m->supply_v_per_count);
  at = put_float(at, m->temperature_c_per_count);
  at = put_float(at, m->temperature_c_offset);
  at = put_text(at, m->firmware, kWireMaxFirmwareText);
  return (uint8_t)(at - payload);
}

bool wire_identity_unpack(const uint8_t* payload, uint8_t size, WireIdentity* message) {
  const uint8_t* at = payload;
  WireIdentity m;
  uint8_t length;
  if (size < kWireIdentityFixedSize) return false;
  length = payload[kWireIdentityFixedSize - 1];
  if (length > kWireMaxFirmwareText || length > size - kWireIdentityFixedSize) return false;
  m.board_number = get32(&at);
  m.tick_hz = get32(&at);
  m.channels = *at++;
  m.cell_position = *at++;
  m.motor_pulses_per_turn = get16(&at);
  m.handwheel_pulses_per_turn = get16(&at);
  m.converter_millihertz = get32(&at);
  m.cell_delay_us = get32(&at);
  m.arm_um = get32(&at);
  m.supply_v_per_count = get_float(&at);
  m.temperature_c_per_count = get_float(&at);
  m.temperature_c_offset = get_float(&at);
  memset(m.firmware, 0, sizeof m.firmware);
  memcpy(m.firmware, payload + kWireIdentityFixedSize, length);
  if (m.tick_hz == 0) return false;
  if ((m.channels & kWireMotorTach) && m.motor_pulses_per_turn == 0) return false;
  if ((m.channels & kWireHandwheelTach) && m.handwheel_pulses_per_turn == 0) return false;
  *message = m;
  return true;
}

static uint8_t sample_size(uint8_t channels) {
  uint8_t size = kWireSampleFixedSize;
  if (channels & kWireLoadCell) size = (uint8_t)(size + 4);
  if (channels & kWireMotorTach) size = (uint8_t)(size + 8);
  if (channels & kWireHandwheelTach) size = (uint8_t)(size + 8);
  if (channels & kWireSupply) size = (uint8_t)(size + 4);
  if (channels & kWireTemperature) size = (uint8_t)(size + 4);
  return size;
}

uint8_t wire_sample_pack(const WireSample* m, uint8_t payload[kWireMaxPayload]) {
  const uint8_t channels = m->channels & kWireAllChannels;
  uint8_t* at = put32(payload, m->number);
  at = put32(at, m->tick);
  at = put8(at, channels);
  if (channels & kWireLoadCell) at = put32(at, (uint32_t)m->torque_counts);
  if (channels & kWireMotorTach) at = put32(put32(at, m->motor_edges), m->motor_edge_tick);
  if (channels & kWireHandwheelTach)
    at = put32(put32(at, m->handwheel_edges), m->handwheel_edge_tick);
  if (channels & kWireSupply) at = put32(at, (uint32_t)m->supply_counts);
  if (channels & kWireTemperature) at = put32(at, (uint32_t)m->temperature_counts);
  return (uint8_t)(at - payload);
}

bool wire_sample_unpack(const uint8_t* payload, uint8_t size, WireSample* message) {
  const uint8_t* at = payload;
  WireSample m;
  memset(&m, 0, sizeof m);
  if (size < kWireSampleFixedSize) return false;
  m.number = get32(&at);
  m.tick = get32(&at);
  m.channels = (uint8_t)(*at++ & kWireAllChannels); /* higher bits are of later fields */
  if (size < sample_size(m.channels)) return false;
  if (m.channels & kWireLoadCell) m.torque_counts = get_signed(&at);
  if (m.channels & kWireMotorTach) {
    m.motor_edges = get32(&at);
    m.motor_edge_tick = get32(&at);
  }
  if (m.channels & kWireHandwheelTach) {
    m.handwheel_edges = get32(&at);
    m.handwheel_edge_tick = get32(&at);
  }
  if (m.channels & kWireSupply) m.supply_counts = get_signed(&at);
  if (m.channels & kWireTemperature) m.temperature_counts = get_signed(&at);
  *message = m;
  return true;
}

uint8_t wire_status_pack(const WireStatus* m, uint8_t payload[kWireMaxPayload]) {
  uint8_t* at = put8(payload, m->streaming);
  at = put8(at, m->reset_cause);
  at = put8(at, m->faults);
  at = put32(at, m->tick);
  at = put32(at, m->resets);
  at = put32(at, m->samples);
  at = put32(at, m->unsent_samples);
  at = put32(at, m->missed_conversions);
  at = put32(at, m->missed_edges);
  at = put32(at, m->bad_frames);
  return (uint8_t)(at - payload);
}

bool wire_status_unpack(const uint8_t* payload, uint8_t size, WireStatus* message) {
  const uint8_t* at = payload;
  if (size < kWireStatusSize) return false;
  message->streaming = *at++;
  message->reset_cause = *at++;
  message->faults = *at++;
  message->tick = get32(&at);
  message->resets = get32(&at);
  message->samples = get32(&at);
  message->unsent_samples = get32(&at);
  message->missed_conversions = get32(&at);
  message->missed_edges = get32(&at);
  message->bad_frames = get32(&at);
  return true;
}

uint8_t wire_error_pack(const WireError* m, uint8_t payload[kWireMaxPayload]) {
  uint8_t* at = put8(payload, m->code);
  at = put8(at, m->about_type);
  at = put32(at, m->tick);
  at = put_text(at, m->text, kWireMaxErrorText);
  return (uint8_t)(at - payload);
}

bool wire_error_unpack(const uint8_t* payload, uint8_t size, WireError* message) {
  const uint8_t* at = payload;
  uint8_t length;
  if (size < kWireErrorFixedSize) return false;
  length = payload[kWireErrorFixedSize - 1];
  if (length > kWireMaxErrorText || length > size - kWireErrorFixedSize) return false;
  message->code = *at++;
  message->about_type = *at++;
  message->tick = get32(&at);
  memset(message->text, 0, sizeof message->text);
  memcpy(message->text, payload + kWireErrorFixedSize, length);
  return true;
}
