/* Edge counts and the tick of the last edge of both tachometers. The motor's is timed by hardware
 * (input capture, pin ICP1); the hand wheel's by an external interrupt (pin INT0), some µs late at
 * worst. Rising edges. Interrupts may be on or off when these are called. */
#pragma once

#include <stdint.h>

typedef struct Edges {
  uint32_t count; /* since reset */
  uint32_t tick;  /* of the last; no meaning while count is 0 */
} Edges;

void tachometers_begin(void);
/* Count and tick that belong together. */
Edges motor_edges(void);
Edges handwheel_edges(void);
/* Edges that were noticed only after the next had come, so that their tick is not their own. */
uint32_t late_edges(void);
