#include "firmware-protocol/firmware/line.h"

#include <avr/interrupt.h>
#include <avr/io.h>

#define BAUD 115200UL
/* Double speed: 2.1 % fast at 16 MHz, within what a UART takes (common practice on such boards). */
#define DIVISOR ((F_CPU + BAUD * 4UL) / (BAUD * 8UL) - 1UL)

/* Head is written by one side only, tail by the other; both wrap as bytes do. */
static volatile uint8_t out[256], out_head, out_tail;
static volatile uint8_t in[64], in_head, in_tail;
static uint8_t sequence;

ISR(USART_UDRE_vect) {
  if (out_tail == out_head) {
    UCSR0B &= (uint8_t)~_BV(UDRIE0);
  } else {
    UDR0 = out[out_tail];
    ++out_tail;
  }
}

ISR(USART_RX_vect) {
  const uint8_t byte = UDR0;
  const uint8_t next = (uint8_t)((in_head + 1) % sizeof in);
  if (next == in_tail) return; /* full: the frame will fail its checksum and be counted */
  in[in_head] = byte;
  in_head = next;
}

void line_begin(void) {
  UBRR0 = DIVISOR;
  UCSR0A = _BV(U2X0);
  UCSR0C = _BV(UCSZ01) | _BV(UCSZ00);
  UCSR0B = _BV(RXEN0) | _BV(TXEN0) | _BV(RXCIE0);
}

static uint8_t room(void) { return (uint8_t)(out_tail - out_head - 1); }

static void put(uint8_t byte) {
  out[out_head] = byte;
  ++out_head;
}

bool line_send(uint8_t type, const uint8_t* payload, uint8_t size) {
  uint8_t frame[kWireMaxFrame];
  const size_t length = wire_frame_encode(type, sequence, payload, size, frame, sizeof frame);
  size_t i;
  if (length == 0 || length > room()) return false;
  ++sequence;
  for (i = 0; i < length; ++i) put(frame[i]);
  UCSR0B |= _BV(UDRIE0);
  return true;
}

void line_clear(void) {
  if (room() == 0) return;
  put(0);
  UCSR0B |= _BV(UDRIE0);
}

bool line_heard(void) { return in_tail != in_head; }

uint8_t line_take(void) {
  const uint8_t byte = in[in_tail];
  in_tail = (uint8_t)((in_tail + 1) % sizeof in);
  return byte;
}
