/* The rig's main loop: conversions become samples, commands are obeyed. wire.md says what comes
 * and goes; nothing here waits for anything. */
#include <avr/interrupt.h>
#include <avr/io.h>
#include <avr/sleep.h>
#include <avr/wdt.h>
#include <string.h>

#include "firmware-protocol/firmware/analogue.h"
#include "firmware-protocol/firmware/config.h"
#include "firmware-protocol/firmware/converter.h"
#include "firmware-protocol/firmware/line.h"
#include "firmware-protocol/firmware/tachometers.h"
#include "firmware-protocol/firmware/ticks.h"
#include "firmware-protocol/messages.h"

enum { kSilentPeriods = 4 };

/* Memory that a reset does not clear: why it happened, and how often since power came on. */
static uint8_t reset_cause __attribute__((section(".noinit")));
static uint16_t resets __attribute__((section(".noinit")));
static uint16_t resets_check __attribute__((section(".noinit"))); /* ~resets, else it is chance */

static WireDecoder decoder;
static WireStatus status;
static uint32_t sample_number;
static uint32_t last_conversion, last_status;
static bool silent;    /* nothing for four periods */
static bool converted; /* since the reset */

/* Runs before main, with the stack only just set up: after a watchdog reset the watchdog is still
 * on at its shortest. */
void keep_reset_cause(void) __attribute__((naked, used, section(".init3")));
void keep_reset_cause(void) {
  reset_cause = MCUSR;
  MCUSR = 0;
  wdt_disable();
}

static uint8_t channels(void) {
  uint8_t present = 0;
  if (RIG_HAS_LOAD_CELL) present |= kWireLoadCell;
  if (RIG_MOTOR_PULSES) present |= kWireMotorTach;
  if (RIG_HANDWHEEL_PULSES) present |= kWireHandwheelTach;
  if (RIG_HAS_SUPPLY) present |= kWireSupply;
  if (RIG_HAS_TEMPERATURE) present |= kWireTemperature;
  return present;
}

static uint32_t period_ticks(void) { return TICK_HZ / converter_hz(); }

static void send_identity(void) {
  uint8_t payload[kWireMaxPayload];
  WireIdentity identity;
  memset(&identity, 0, sizeof identity);
  identity.board_number = RIG_BOARD_NUMBER;
  identity.tick_hz = TICK_HZ;
  identity.channels = channels();
  identity.cell_position = RIG_CELL_POSITION;
  identity.motor_pulses_per_turn = RIG_MOTOR_PULSES;
  identity.handwheel_pulses_per_turn = RIG_HANDWHEEL_PULSES;
  identity.converter_millihertz = converter_hz() * 1000UL;
  /* Settling takes four conversions (data sheet); the value stands for the middle of that. */
  identity.cell_delay_us = 2000000UL / converter_hz();
  identity.arm_um = RIG_ARM_UM;
  identity.supply_v_per_count = RIG_SUPPLY_V_PER_COUNT;
  identity.temperature_c_per_count = RIG_TEMPERATURE_C_PER_COUNT;
  identity.temperature_c_offset = RIG_TEMPERATURE_C_OFFSET;
  memcpy(identity.firmware, RIG_FIRMWARE_TEXT, sizeof RIG_FIRMWARE_TEXT);
  line_send(kWireIdentity, payload, wire_identity_pack(&identity, payload));
}

static void send_status(void) {
  uint8_t payload[kWireMaxPayload];
  status.reset_cause = reset_cause;
  status.faults = silent ? kWireConverterSilent : 0;
  status.tick = last_status = ticks_now();
  status.resets = resets;
  status.missed_edges = late_edges();
  status.bad_frames = wire_dropped(&decoder.counters);
  line_send(kWireStatus, payload, wire_status_pack(&status, payload));
}

static void send_error(uint8_t code, uint8_t about, const char* text) {
  uint8_t payload[kWireMaxPayload];
  WireError error;
  memset(&error, 0, sizeof error);
  error.code = code;
  error.about_type = about;
  error.tick = ticks_now();
  strncpy(error.text, text, kWireMaxErrorText);
  line_send(kWireError, payload, wire_error_pack(&error, payload));
}

static void start(void) {
  status.streaming = 1;
  status.samples = 0;
  status.unsent_samples = 0;
  sample_number = 0;
  send_status();
}

static void obey(const WireFrame* frame) {
  switch (frame->type) {
    case kWireWhoAreYou:
      send_identity();
      send_status();
      break;
    case kWireStart:
      start();
      break;
    case kWireStop:
      status.streaming = 0;
      send_status();
      break;
    default:
      send_error(kWireUnknownType, frame->type, "this rig does not know that message");
  }
}

static void hear(void) {
  WireFrame frame;
  while (line_heard()) {
    const uint32_t foreign = decoder.counters.bad_version;
    if (wire_decoder_take(&decoder, line_take(), &frame)) obey(&frame);
    if (decoder.counters.bad_version != foreign)
      send_error(kWireForeignVersion, 0, "this rig speaks version 1 of the wire");
  }
}

static void send_sample(uint8_t present, uint32_t tick, int32_t torque_counts) {
  uint8_t payload[kWireMaxPayload];
  WireSample sample;
  Edges edges;
  sample.number = sample_number++;
  sample.tick = tick;
  sample.channels = present;
  sample.torque_counts = torque_counts;
  edges = motor_edges();
  sample.motor_edges = edges.count;
  sample.motor_edge_tick = edges.tick;
  edges = handwheel_edges();
  sample.handwheel_edges = edges.count;
  sample.handwheel_edge_tick = edges.tick;
  sample.supply_counts = supply_counts();
  sample.temperature_counts = temperature_counts();
  ++status.samples;
  if (!line_send(kWireSample, payload, wire_sample_pack(&sample, payload))) ++status.unsent_samples;
}

/* How many conversions have come and gone unread since the last: their ticks tell. */
static void count_missed(uint32_t tick) {
  const uint32_t period = period_ticks();
  const uint32_t passed = tick - last_conversion;
  if (converted && !silent && passed > period + period / 2)
    status.missed_conversions += (passed + period / 2) / period - 1;
}

static void take_conversion(void) {
  int32_t counts;
  uint32_t tick;
  if (!converter_read(&counts, &tick)) return;
  if (status.streaming) {
    count_missed(tick);
    send_sample(channels(), tick, counts);
  }
  silent = false;
  converted = true;
  last_conversion = tick;
}

/* Without conversions speed must not be lost: samples go on at the nominal pace. */
static void do_without_conversion(void) {
  const uint32_t now = ticks_now();
  const uint32_t period = period_ticks();
  const bool by_timer = silent || !RIG_HAS_LOAD_CELL;
  if (now - last_conversion < (by_timer ? period : kSilentPeriods * period)) return;
  if (!by_timer) {
    silent = true;
    if (status.streaming) {
      status.missed_conversions += kSilentPeriods - 1;
      send_error(kWireConverterStuck, 0, "the load-cell converter gives no data");
    }
    last_conversion = now;
  } else {
    last_conversion += period;
  }
  if (status.streaming) send_sample(channels() & (uint8_t)~kWireLoadCell, last_conversion, 0);
}

/* Sleeps until the next interrupt; the 1 kHz beat is the longest wait. */
static void rest(void) {
  cli();
  if (!line_heard() && !converter_ready()) {
    SMCR = _BV(SE); /* idle mode: timers, converter and line go on */
    sei();
    sleep_cpu();
    SMCR = 0;
  }
  sei();
}

/* Boards whose boot loader takes the reset flags away have cause 0; then the check word tells
 * whether the count in memory is one. */
static void count_resets(void) {
  const bool counted = (uint16_t)~resets == resets_check;
  resets = ((reset_cause & _BV(PORF)) || !counted) ? 0 : (uint16_t)(resets + 1);
  resets_check = (uint16_t)~resets;
}

int main(void) {
  count_resets();
  wire_decoder_start(&decoder);
  ticks_begin();
  tachometers_begin();
  if (RIG_HAS_LOAD_CELL) converter_begin();
  analogue_begin();
  line_begin();
  wdt_enable(WDTO_120MS);
  sei();
  line_clear();
  send_identity();
  send_status();
  for (;;) {
    wdt_reset();
    hear();
    if (RIG_HAS_LOAD_CELL && converter_ready()) take_conversion();
    do_without_conversion();
    if (status.streaming && ticks_now() - last_status >= TICK_HZ) send_status();
    rest();
  }
}
