// Readings from a CSV file into the book as one run.
//
// The file: a header row with `time_s` and any of `motor_rpm`, `handwheel_rpm`, `torque_nm`,
// `supply_v`, `temperature_c`, in any order; then one row per reading, cells separated by commas,
// numbers with a decimal point. An empty cell is a missing value; time must be there in every row
// and must not fall. Cells may be quoted; a byte order mark and CRLF line ends are accepted; empty
// lines are passed over. Anything else is refused with its line and column.
#pragma once

#include <functional>
#include <string>
#include <vector>

#include "db/book.h"

namespace loadline {

/// The header's names in the order of ImportedReading's members.
extern const char* const kReadingColumns[6];
constexpr int kReadingColumnCount = 6;

/// Parses the whole file, handing the readings over in blocks. Error(kInput) at the first fault,
/// with "FILE, line N, column M (name): …". `progress` gets bytes done and in all.
void read_csv(const std::string& path,
              const std::function<void(std::span<const ImportedReading>)>& take,
              const std::function<void(double, double)>& progress = {});

/// Reads `path` into a new, complete run of `book` and returns its number. All or nothing.
std::int64_t import_csv(Book& book, const std::string& path, const Run& run,
                        const std::function<void(double, double)>& progress = {});

}  // namespace loadline
