// What the owner of a file says of the tachometer behind it (import --tachometer, --pulses).
#pragma once

#include <optional>
#include <vector>

#include "fit/readings/noise/row_reading.h"
#include "fit/readings/readings.h"

namespace loadline {

/// Does a tachometer of this kind make such values?
bool makes(Tachometer tachometer, RowReading reading);

/// What the owner of all runs that came as files says of their tachometer; empty where nothing is
/// said or not the same of all.
std::optional<Tachometer> stated_by_all(const std::vector<Readings>& read);

}  // namespace loadline
