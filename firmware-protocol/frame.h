/* Frames on the line between rig and host: delimiting, checksum, resynchronising.
 *
 * wire.md is the specification; every number here comes from that page. C99, no allocation, no
 * transport: bytes go in, frames come out, and the caller owns all memory. The same source runs on
 * the 8-bit board and on the host. Trusted: the caller's pointers and capacities. Not trusted: any
 * byte from the line; whatever arrives, nothing outside the decoder is read or written, and every
 * frame that is thrown away is counted under its cause.
 *
 * Threads: a WireDecoder belongs to one thread at a time; the other functions keep no state.
 */
#pragma once

#include <stdbool.h>
#include <stddef.h>
#include <stdint.h>

#ifdef __cplusplus
extern "C" {
#endif

enum {
  kWireVersion = 1,
  kWireMaxPayload = 128,
  /* Version, type, sequence; payload; checksum. */
  kWireHeaderSize = 3,
  kWireChecksumSize = 2,
  kWireMinBody = kWireHeaderSize + kWireChecksumSize,
  kWireMaxBody = kWireMinBody + kWireMaxPayload,
  /* A body is shorter than 254 bytes, so COBS adds exactly one byte; then the delimiter. */
  kWireMaxFrame = kWireMaxBody + 2
};

/* CRC-16/IBM-3740: polynomial 0x1021, initial 0xFFFF, not reflected, no final xor. To go on from an
 * earlier part pass its result as `crc`; begin with kWireCrcStart. */
#define kWireCrcStart ((uint16_t)0xFFFFu)
uint16_t wire_crc(uint16_t crc, const uint8_t* bytes, size_t size);

/* Consistent Overhead Byte Stuffing (Cheshire and Baker, IEEE/ACM Transactions on Networking 7
 * (1999) 159), without the delimiter. Returns the encoded size, 0 when `out` is too small. `in` and
 * `out` must not overlap. Needs size + size/254 + 1 bytes. */
size_t wire_cobs_encode(const uint8_t* in, size_t size, uint8_t* out, size_t capacity);

/* The inverse; `out` may be the same memory as `in`. Returns false for bytes that no encoder makes
 * (a zero among them, or a block that runs past the end) and then leaves *out_size alone. Accepts
 * the superfluous final 01 that some encoders append after a full block of 254. */
bool wire_cobs_decode(const uint8_t* in, size_t size, uint8_t* out, size_t capacity,
                      size_t* out_size);

/* A frame as it came out of the decoder. `payload` points into the decoder and holds until the next
 * byte is given to it. */
typedef struct WireFrame {
  uint8_t type;
  uint8_t sequence;
  const uint8_t* payload;
  uint8_t payload_size;
} WireFrame;

/* Writes header, payload, checksum, COBS and the delimiter. Returns the bytes written, 0 when the
 * payload is longer than kWireMaxPayload or `out` is too small (kWireMaxFrame always suffices). */
size_t wire_frame_encode(uint8_t type, uint8_t sequence, const uint8_t* payload,
                         uint8_t payload_size, uint8_t* out, size_t capacity);

/* What came and what was thrown away, since the decoder was started. The counters wrap. */
typedef struct WireCounters {
  uint32_t frames;    /* delivered */
  uint32_t bytes;     /* seen, delimiters included */
  uint32_t too_long;  /* more bytes between delimiters than any frame has */
  uint32_t bad_cobs;  /* byte stuffing does not resolve */
  uint32_t too_short; /* shorter than header and checksum */
  uint32_t bad_crc;
  uint32_t bad_version; /* sound, but of a protocol version that this codec does not speak */
  uint32_t missing;  /* skipped sequence numbers: modulo 256, so a lower bound of what was lost */
  uint32_t repeated; /* same sequence number as the frame before; delivered all the same */
} WireCounters;

typedef struct WireDecoder {
  WireCounters counters;
  uint8_t buffer[kWireMaxBody + 1];
  uint8_t used;
  bool overflowed;    /* the current frame is too long: skip to the next delimiter */
  bool have_sequence; /* last_sequence is that of a delivered frame */
  uint8_t last_sequence;
  uint8_t foreign_version; /* of the latest frame that was dropped as bad_version */
} WireDecoder;

/* Clean state, counters at zero. */
void wire_decoder_start(WireDecoder* decoder);

/* Drops what has been collected of a frame and forgets the last sequence number, but keeps the
 * counters: for a line that was re-opened or a rig that was reset. */
void wire_decoder_resume(WireDecoder* decoder);

/* Takes one byte. True when it completed a sound frame, which is then in *frame. */
bool wire_decoder_take(WireDecoder* decoder, uint8_t byte, WireFrame* frame);

/* Takes bytes until a frame is complete or all are used, whichever comes first; *used tells how
 * many were taken. True when there is a frame. Faster than byte by byte; same meaning. */
bool wire_decoder_take_block(WireDecoder* decoder, const uint8_t* bytes, size_t size, size_t* used,
                             WireFrame* frame);

/* Sum of the counters of frames thrown away, whatever the cause. */
uint32_t wire_dropped(const WireCounters* counters);

#ifdef __cplusplus
}
#endif
