#include "firmware-protocol/frame.h"

#include <string.h>

/* The five shifts that a division by 0x1021 comes to, one byte at a time without a table: the board
 * has no room for one, and the host needs none. */
static uint16_t crc_byte(uint16_t crc, uint8_t byte) {
  uint8_t x = (uint8_t)((crc >> 8) ^ byte);
  x = (uint8_t)(x ^ (x >> 4));
  return (uint16_t)((uint16_t)(crc << 8) ^ ((uint16_t)x << 12) ^ ((uint16_t)x << 5) ^ x);
}

uint16_t wire_crc(uint16_t crc, const uint8_t* bytes, size_t size) {
  size_t i;
  for (i = 0; i < size; ++i) crc = crc_byte(crc, bytes[i]);
  return crc;
}

size_t wire_cobs_encode(const uint8_t* in, size_t size, uint8_t* out, size_t capacity) {
  size_t i, code_at = 0, at = 1;
  uint8_t code = 1;
  if (capacity == 0) return 0;
  for (i = 0; i < size; ++i) {
    if (code == 0xFF) { /* a full block of 254: begin the next only when more data follow */
      out[code_at] = code;
      code_at = at++;
      code = 1;
      if (code_at >= capacity) return 0;
    }
    if (in[i] != 0) {
      if (at >= capacity) return 0;
      out[at++] = in[i];
      ++code;
    } else {
      if (at >= capacity) return 0;
      out[code_at] = code;
      code_at = at++;
      code = 1;
    }
  }
  out[code_at] = code;
  return at;
}

bool wire_cobs_decode(const uint8_t* in, size_t size, uint8_t* out, size_t capacity,
                      size_t* out_size) {
  size_t i = 0, n = 0;
  while (i < size) {
    const uint8_t code = in[i++];
    uint8_t k;
    if (code == 0 || (size_t)(code - 1) > size - i || (size_t)(code - 1) > capacity - n)
      return false;
    for (k = 1; k < code; ++k) {
      if (in[i] == 0) return false;
      out[n++] = in[i++];
    }
    if (code != 0xFF && i < size) {
      if (n >= capacity) return false;
      out[n++] = 0;
    }
  }
  *out_size = n;
  return size > 0;
}

size_t wire_frame_encode(uint8_t type, uint8_t sequence, const uint8_t* payload,
                         uint8_t payload_size, uint8_t* out, size_t capacity) {
  uint8_t body[kWireMaxBody];
  size_t size = kWireHeaderSize, encoded;
  uint16_t crc;
  if (payload_size > kWireMaxPayload) return 0;
  body[0] = kWireVersion;
  body[1] = type;
  body[2] = sequence;
  if (payload_size > 0) memcpy(body + size, payload, payload_size);
  size += payload_size;
  crc = wire_crc(kWireCrcStart, body, size);
  /* Low byte first. High byte first would make the CRC over the whole body 0, and zeros after a
   * frame (a delimiter hit by one flipped bit) would then go unseen. */
  body[size++] = (uint8_t)(crc & 0xFF);
  body[size++] = (uint8_t)(crc >> 8);
  encoded = wire_cobs_encode(body, size, out, capacity);
  if (encoded == 0 || encoded >= capacity) return 0;
  out[encoded] = 0;
  return encoded + 1;
}

void wire_decoder_start(WireDecoder* decoder) { memset(decoder, 0, sizeof *decoder); }

void wire_decoder_resume(WireDecoder* decoder) {
  decoder->used = 0;
  decoder->overflowed = false;
  decoder->have_sequence = false;
}

static void note_sequence(WireDecoder* decoder, uint8_t sequence) {
  if (decoder->have_sequence) {
    const uint8_t step = (uint8_t)(sequence - decoder->last_sequence);
    if (step == 0)
      ++decoder->counters.repeated;
    else
      decoder->counters.missing += (uint32_t)(step - 1);
  }
  decoder->have_sequence = true;
  decoder->last_sequence = sequence;
}

static bool checksum_holds(const uint8_t* body, size_t size) {
  const size_t covered = size - kWireChecksumSize;
  const uint16_t sent = (uint16_t)(body[covered] | ((uint16_t)body[covered + 1] << 8));
  return wire_crc(kWireCrcStart, body, covered) == sent;
}

/* The delimiter has come: judges what was collected. */
static bool finish(WireDecoder* decoder, WireFrame* frame) {
  WireCounters* counters = &decoder->counters;
  uint8_t* body = decoder->buffer;
  size_t size = decoder->used;
  const bool overflowed = decoder->overflowed;
  decoder->used = 0;
  decoder->overflowed = false;
  if (overflowed) return ++counters->too_long, false;
  if (size == 0)
    return false; /* delimiters may stand in a row: a rig sends one to clear the line */
  if (!wire_cobs_decode(body, size, body, sizeof decoder->buffer, &size))
    return ++counters->bad_cobs, false;
  if (size < kWireMinBody) return ++counters->too_short, false;
  if (size > kWireMaxBody) return ++counters->too_long, false;
  if (!checksum_holds(body, size)) return ++counters->bad_crc, false;
  if (body[0] != kWireVersion) {
    decoder->foreign_version = body[0];
    return ++counters->bad_version, false;
  }
  frame->type = body[1];
  frame->sequence = body[2];
  frame->payload = body + kWireHeaderSize;
  frame->payload_size = (uint8_t)(size - kWireMinBody);
  note_sequence(decoder, frame->sequence);
  ++counters->frames;
  return true;
}

bool wire_decoder_take(WireDecoder* decoder, uint8_t byte, WireFrame* frame) {
  ++decoder->counters.bytes;
  if (byte == 0) return finish(decoder, frame);
  if (decoder->used < sizeof decoder->buffer)
    decoder->buffer[decoder->used++] = byte;
  else
    decoder->overflowed = true;
  return false;
}

bool wire_decoder_take_block(WireDecoder* decoder, const uint8_t* bytes, size_t size, size_t* used,
                             WireFrame* frame) {
  size_t at = 0;
  while (at < size) {
    const uint8_t* zero = memchr(bytes + at, 0, size - at);
    const size_t run = zero ? (size_t)(zero - (bytes + at)) : size - at;
    const size_t room = sizeof decoder->buffer - decoder->used;
    const size_t kept = run < room ? run : room;
    memcpy(decoder->buffer + decoder->used, bytes + at, kept);
    decoder->used = (uint8_t)(decoder->used + kept);
    if (kept < run) decoder->overflowed = true;
    at += run;
    decoder->counters.bytes += (uint32_t)run;
    if (!zero) break;
    ++at;
    ++decoder->counters.bytes;
    if (finish(decoder, frame)) {
      *used = at;
      return true;
    }
  }
  *used = at;
  return false;
}

uint32_t wire_dropped(const WireCounters* counters) {
  return counters->too_long + counters->bad_cobs + counters->too_short + counters->bad_crc +
         counters->bad_version;
}
