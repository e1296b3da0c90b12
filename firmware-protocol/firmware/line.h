/* The serial line at 115,200 baud: buffers in both directions, nothing ever waits.
 * To be called from the main loop only: the other ends of the buffers are interrupts. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

#include "firmware-protocol/frame.h"

void line_begin(void);
/* Queues a frame; false when there is no room for all of it, and then nothing is queued. */
bool line_send(uint8_t type, const uint8_t* payload, uint8_t size);
/* Queues the zero that clears the line. */
void line_clear(void);
/* The next byte from the host is there. */
bool line_heard(void);
/* Takes it; only after line_heard(). */
uint8_t line_take(void);
