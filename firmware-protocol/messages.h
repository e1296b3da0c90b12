/* The messages between rig and host: what their payloads mean, packed and unpacked.
 *
 * wire.md is the specification. All numbers are little-endian; a payload may be longer than the
 * fields known here (a newer rig appends), never shorter. Every unpack checks the length first and
 * returns false, with *message untouched, for a payload that is too short or contradicts itself.
 * Every pack writes at most kWireMaxPayload bytes and returns how many. C99, no allocation.
 */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "firmware-protocol/frame.h"

#ifdef __cplusplus
extern "C" {
#endif

/* Frame types. Host to rig below 0x80, rig to host from 0x80 on. */
enum {
  kWireWhoAreYou = 0x01, /* no payload; answered by identity, then status */
  kWireStart = 0x02,     /* to a rig that acts: text of what is wanted; sample numbers begin at 0;
                            answered by status */
  kWireStop = 0x03,      /* no payload; answered by status */
  kWireIdentity = 0x81,
  kWireStatus = 0x82,
  kWireSample = 0x83,
  kWireError = 0x84
};

/* Channels: in an identity those that the rig has, in a sample those that it carries. */
enum {
  kWireLoadCell = 0x01,
  kWireMotorTach = 0x02,
  kWireHandwheelTach = 0x04,
  kWireSupply = 0x08,
  kWireTemperature = 0x10,
  kWireAllChannels = 0x1F,
  kWireActs = 0x80 /* of the identity only: the rig itself moves what start tells it of */
};

/* Where the load cell sits: the torque of the brake's reaction, or of the motor's cradle. */
enum { kWireCellUnstated = 0, kWireCellOnBrake = 1, kWireCellOnMotor = 2 };

enum { kWireMaxFirmwareText = 48, kWireMaxErrorText = 60 };

#define kWireDelayUnstated ((uint32_t)0xFFFFFFFFu)

typedef struct WireIdentity {
  uint32_t board_number; /* tells rigs apart; 0 = never set */
  uint32_t tick_hz;      /* ticks per second of every tick on the line; > 0 */
  uint8_t channels;
  uint8_t cell_position;
  uint16_t motor_pulses_per_turn;     /* 0 when there is no such channel */
  uint16_t handwheel_pulses_per_turn; /* 0 when there is no such channel */
  uint32_t converter_millihertz;      /* nominal load-cell conversions per 1000 s */
  uint32_t cell_delay_us; /* age of the load-cell value at its tick; kWireDelayUnstated = unknown */
  uint32_t arm_um;        /* length of the arm in micrometres; 0 = not stated */
  float supply_v_per_count;
  float temperature_c_per_count;
  float temperature_c_offset;              /* temperature = offset + per_count * counts */
  char firmware[kWireMaxFirmwareText + 1]; /* build text, UTF-8, ends with 0 */
} WireIdentity;

typedef struct WireSample {
  uint32_t number;  /* 0 for the first sample after a start; +1 for each that the rig made */
  uint32_t tick;    /* of the load-cell conversion; wraps */
  uint8_t channels; /* those that this sample carries; fields of others are 0 */
  int32_t torque_counts;
  uint32_t motor_edges;     /* counted since the rig's reset; wraps */
  uint32_t motor_edge_tick; /* of the last edge; no meaning before the first edge */
  uint32_t handwheel_edges;
  uint32_t handwheel_edge_tick;
  int32_t supply_counts;
  int32_t temperature_counts;
} WireSample;

/* Bits of WireStatus.reset_cause: why the rig last began. */
enum { kWirePowerOn = 0x01, kWireResetPin = 0x02, kWireBrownOut = 0x04, kWireWatchdog = 0x08 };

/* Bits of WireStatus.faults: what is wrong now. */
enum { kWireConverterSilent = 0x01 };

typedef struct WireStatus {
  uint8_t streaming; /* 1 between start and stop */
  uint8_t reset_cause;
  uint8_t faults;
  uint32_t tick;           /* when this status was made */
  uint32_t resets;         /* of the board since its power came on */
  uint32_t samples;        /* made since the last start, sent or not */
  uint32_t unsent_samples; /* made, but there was no room to send them */
  uint32_t missed_conversions;
  uint32_t missed_edges; /* edges noticed too late to have a tick of their own */
  uint32_t bad_frames;   /* from the host, thrown away */
} WireStatus;

/* WireError.code */
enum {
  kWireUnknownType = 1,
  kWireBadPayload = 2,
  kWireForeignVersion = 3,
  kWireConverterStuck = 4,
  kWireOtherError = 255
};

typedef struct WireError {
  uint8_t code;
  uint8_t about_type; /* type of the frame that caused it, 0 for none */
  uint32_t tick;
  char text[kWireMaxErrorText + 1]; /* for people, UTF-8, ends with 0 */
} WireError;

/* Payload sizes without texts; a sample's grows with its channels. */
enum {
  kWireIdentityFixedSize = 39,
  kWireSampleFixedSize = 9,
  kWireSampleMaxSize = 37,
  kWireStatusSize = 31,
  kWireErrorFixedSize = 7
};

uint8_t wire_identity_pack(const WireIdentity* message, uint8_t payload[kWireMaxPayload]);
uint8_t wire_sample_pack(const WireSample* message, uint8_t payload[kWireMaxPayload]);
uint8_t wire_status_pack(const WireStatus* message, uint8_t payload[kWireMaxPayload]);
uint8_t wire_error_pack(const WireError* message, uint8_t payload[kWireMaxPayload]);

bool wire_identity_unpack(const uint8_t* payload, uint8_t size, WireIdentity* message);
bool wire_sample_unpack(const uint8_t* payload, uint8_t size, WireSample* message);
bool wire_status_unpack(const uint8_t* payload, uint8_t size, WireStatus* message);
bool wire_error_unpack(const uint8_t* payload, uint8_t size, WireError* message);

#ifdef __cplusplus
}
#endif
