#include "fit/readings/stated_tachometer.h"

namespace loadline {

bool makes(Tachometer tachometer, RowReading reading) {
  const WayToRead::Over over = way_to_read(reading).over;
  switch (tachometer) {
    case Tachometer::kReciprocal:
      return reading == RowReading::kBetweenValues || reading == RowReading::kEdges;
    case Tachometer::kPeriod:
      return over == WayToRead::Over::kLastTurn || over == WayToRead::Over::kLastPulse ||
             over == WayToRead::Over::kInstant;
    case Tachometer::kGate:
      return reading == RowReading::kBetweenRows || reading == RowReading::kBetweenValues;
    case Tachometer::kAnalogue:
      return reading == RowReading::kAtRows;
    case Tachometer::kDisplay:
      return reading != RowReading::kEdges;
  }
  return true;
}

std::optional<Tachometer> stated_by_all(const std::vector<Readings>& read) {
  std::optional<Tachometer> stated;
  bool first = true;
  for (const Readings& readings : read) {
    if (readings.run.source == RunSource::kRig) continue;
    if (!first && readings.run.tachometer != stated) return std::nullopt;
    stated = readings.run.tachometer;
    first = false;
  }
  return stated;
}

}  // namespace loadline
