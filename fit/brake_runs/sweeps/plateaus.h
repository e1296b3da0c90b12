// A brake test in steps, read by slow instruments: on each step speed and torque stand still
// together; on the way to the next they are late by different times, and not evenly so (a scale
// that smooths, a display that renews). Such a way is no part of the curve.
#pragma once

#include <vector>

#include "fit/readings/readings.h"

namespace loadline {

/// Beside readings.torque: the speed at which the shaft stood while the value was read and the
/// torque had settled, NaN for a value on the way. Empty where the run is no test in steps, and
/// where its values follow each other so quickly that the way is told, too (torque_balance.h).
std::vector<double> steady_speeds(const Readings& readings, const SpeedTrace& trace);

}  // namespace loadline
