#include "firmware-protocol/firmware/converter.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>
#include <util/delay.h>

#include "firmware-protocol/firmware/ticks.h"

#define DATA PD4  /* in: low = a conversion is ready; then bits, highest first */
#define CLOCK PD5 /* out */
#define RATE PD6  /* in: tied to the converter's rate pin */

static volatile uint32_t ready_tick;
static volatile bool ready;

static bool data_high(void) { return (PIND & _BV(DATA)) != 0; }

static void listen_for_ready(void) {
  PCIFR = _BV(PCIF2);
  PCMSK2 = _BV(DATA);
}

ISR(PCINT2_vect) {
  if (data_high()) return;
  ready_tick = ticks_at(TCNT1);
  ready = true;
  PCMSK2 = 0; /* the bits to come are not conversions */
}

void converter_begin(void) {
  DDRD |= _BV(CLOCK);
  PORTD &= (uint8_t)~_BV(CLOCK);  /* high for more than 60 µs would switch the converter off */
  PORTD |= _BV(DATA) | _BV(RATE); /* pull-ups: a converter that is not there looks silent */
  PCICR = _BV(PCIE2);
  listen_for_ready();
}

uint8_t converter_hz(void) { return (PIND & _BV(RATE)) ? 80 : 10; }

bool converter_ready(void) { return ready; }

/* One clock pulse; the bit is stable 0.1 µs after the rising edge. No interrupt may stretch the
 * pulse: it must stay below 50 µs. */
static uint8_t clock_bit(void) {
  uint8_t bit;
  ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
    PORTD |= _BV(CLOCK);
    _delay_us(1);
    bit = data_high() ? 1 : 0;
    PORTD &= (uint8_t)~_BV(CLOCK);
  }
  _delay_us(1);
  return bit;
}

bool converter_read(int32_t* counts, uint32_t* tick) {
  uint32_t bits = 0;
  uint8_t i;
  for (i = 0; i < 24; ++i) bits = (bits << 1) | clock_bit();
  clock_bit(); /* the 25th: channel A, gain 128 next, and the line goes high */
  _delay_us(1);
  const bool released = data_high();
  if (released) {
    /* 24 bits two's complement, widened. */
    *counts = (int32_t)(bits ^ 0x800000UL) - 0x800000L;
    *tick = ready_tick;
  }
  ready = false;
  listen_for_ready();
  return released;
}
