/* The rig's clock: timer 1 at 2 MHz, widened to 32 bits. Wraps every 35.8 minutes. */
#pragma once

#include <stdint.h>

#define TICK_HZ 2000000UL

void ticks_begin(void);

/* The 32-bit tick of a moment whose low half was `low`, at most 16 ms ago. Interrupts must be off,
 * as they are in every interrupt routine. */
uint32_t ticks_at(uint16_t low);

/* Now. Interrupts may be on or off. */
uint32_t ticks_now(void);
