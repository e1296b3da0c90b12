#include "firmware-protocol/firmware/tachometers.h"

#include <avr/interrupt.h>
#include <avr/io.h>
#include <util/atomic.h>

#include "firmware-protocol/firmware/ticks.h"

static volatile Edges motor, handwheel;
static volatile uint32_t late;

ISR(TIMER1_CAPT_vect) {
  motor.tick = ticks_at(ICR1);
  ++motor.count;
  if (TIFR1 & _BV(ICF1)) ++late;
}

ISR(INT0_vect) {
  handwheel.tick = ticks_at(TCNT1);
  ++handwheel.count;
  if (EIFR & _BV(INTF0)) ++late;
}

void tachometers_begin(void) {
  PORTB |= _BV(PORTB0); /* pull-ups: sensors with open collectors need no resistor */
  PORTD |= _BV(PORTD2);
  EICRA = _BV(ISC01) | _BV(ISC00);
  EIFR = _BV(INTF0);
  EIMSK = _BV(INT0);
}

static Edges latched(const volatile Edges* edges) {
  Edges copy;
  ATOMIC_BLOCK(ATOMIC_RESTORESTATE) {
    copy.count = edges->count;
    copy.tick = edges->tick;
  }
  return copy;
}

Edges motor_edges(void) { return latched(&motor); }
Edges handwheel_edges(void) { return latched(&handwheel); }

uint32_t late_edges(void) {
  uint32_t copy;
  ATOMIC_BLOCK(ATOMIC_RESTORESTATE) { copy = late; }
  return copy;
}
