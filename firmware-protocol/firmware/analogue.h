/* Supply voltage (ADC0) and temperature (ADC1), each sampled 500 times a second and averaged over
 * the time between two samples of the rig. To be called from the main loop only. */
#pragma once

#include <stdint.h>

void analogue_begin(void);
/* Mean since the last call, in sixteenths of a converter step; the last one when none came. */
int32_t supply_counts(void);
int32_t temperature_counts(void);
