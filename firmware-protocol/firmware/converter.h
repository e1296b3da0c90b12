/* The load cell's 24-bit bridge converter with a two-wire output, at 10 or 80 conversions a second
 * as its rate pin says. Channel A, gain 128. To be called from the main loop only. */
#pragma once

#include <stdbool.h>
#include <stdint.h>

void converter_begin(void);
/* Nominal conversions a second: 80 when the pin tied to the converter's rate input is high. */
uint8_t converter_hz(void);
/* A conversion waits to be read. */
bool converter_ready(void);
/* Reads it: *tick is when the data became ready. False when the converter does not let go of its
 * data line after the last clock, as a short circuit would look: then nothing is written. */
bool converter_read(int32_t* counts, uint32_t* tick);
