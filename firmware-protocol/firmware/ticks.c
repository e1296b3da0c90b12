#include "firmware-protocol/firmware/ticks.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

static volatile uint16_t high;

ISR(TIMER1_OVF_vect) { ++high; }

void ticks_begin(void) {
  TCCR1A = 0;
  TCNT1 = 0;
  /* Prescaler 8; capture on the rising edge, through the noise canceller (a quarter µs late). */
  TCCR1B = _BV(ICNC1) | _BV(ICES1) | _BV(CS11);
  TIFR1 = _BV(ICF1) | _BV(TOV1);
  TIMSK1 = _BV(TOIE1) | _BV(ICIE1);
}

uint32_t ticks_at(uint16_t low) {
  uint16_t upper = high;
  /* The counter has wrapped and its interrupt is still waiting: a low half from after that. */
  if ((TIFR1 & _BV(TOV1)) && low < 0x8000u) ++upper;
  return ((uint32_t)upper << 16) | low;
}

uint32_t ticks_now(void) {
  uint32_t now;
  ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { now = ticks_at(TCNT1); }
  return now;
}
