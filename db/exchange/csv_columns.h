// What columns a table of readings can have, and what its header may leave unsaid.
#pragma once

#include <functional>
#include <optional>
#include <span>
#include <string>

#include "db/records.h"

namespace loadline {

struct ReadingColumn {
  const char* name;
  double ImportedReading::*member;
};
/// In the order of ImportedReading's members: time, five channels, their standard uncertainties.
std::span<const ReadingColumn> reading_columns_known();

/// What the rows of a table of another program are, where its header does not say it.
struct CsvOptions {
  std::string columns;                     ///< as --columns, see header_names.h
  std::optional<char> decimal;             ///< '.' or ',', where the numbers do not tell
  std::string speed_column = "motor_rpm";  ///< for proposals: where a bare "speed" belongs
};

/// Takes readings in blocks; is told bytes done and in all.
using TakeReadings = std::function<void(std::span<const ImportedReading>)>;
using TellBytes = std::function<void(double, double)>;

}  // namespace loadline
