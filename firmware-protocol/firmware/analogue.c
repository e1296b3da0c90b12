#include "firmware-protocol/firmware/analogue.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

typedef struct Mean {
  uint32_t sum;
  uint16_t count;
  int32_t last;
} Mean;

static volatile Mean means[2];

/* Timer 0 beats at 1 kHz and begins a conversion; it also wakes the main loop. */
ISR(TIMER0_COMPA_vect) { ADCSRA |= _BV(ADSC); }

ISR(ADC_vect) {
  const uint8_t channel = ADMUX & 1;
  means[channel].sum += ADC;
  ++means[channel].count;
  ADMUX ^= 1;
}

void analogue_begin(void) {
  ADMUX = _BV(REFS0); /* reference: the 5 V supply, with a capacitor at AREF */
  DIDR0 = _BV(ADC0D) | _BV(ADC1D);
  ADCSRA = _BV(ADEN) | _BV(ADIE) | _BV(ADPS2) | _BV(ADPS1) | _BV(ADPS0);
  TCCR0A = _BV(WGM01);
  OCR0A = 249;
  TCCR0B = _BV(CS01) | _BV(CS00);
  TIMSK0 = _BV(OCIE0A);
}

static int32_t take(uint8_t channel) {
  uint32_t sum;
  uint16_t count;
  ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
    sum = means[channel].sum;
    count = means[channel].count;
    means[channel].sum = 0;
    means[channel].count = 0;
  }
  if (count > 0) means[channel].last = (int32_t)((sum * 16 + count / 2) / count);
  return means[channel].last;
}

int32_t supply_counts(void) { return take(0); }
int32_t temperature_counts(void) { return take(1); }
