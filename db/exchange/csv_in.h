// Readings from a CSV file into the book as one run.
//
// The file: a header row with `time_s` and any of `motor_rpm`, `handwheel_rpm`, `torque_nm`,
// `supply_v`, `temperature_c`, in any order; then one row per reading, cells separated by commas,
// numbers with a decimal point. An empty cell is a missing value; time must be there in every row
// and must not fall. Cells may be quoted; a byte order mark and CRLF line ends are accepted; empty
// lines are passed over. Anything else is refused with its line and column.
//
// Tables of other programs are understood as well: cells separated by semicolons, tabs, bars or
// blanks (or as a line "sep=;" says), a decimal comma, marks of thousands, UTF-16, times of day
// (19:03:11.25), lines above the header, remarks (#), a row of units below it, "n/a" and its like
// for a missing value, and headers that say quantity and unit in plain English ("Time (s)",
// "Torque [mN·m]"). Other headers are named by CsvOptions::columns. What the numbers of the whole
// file do not decide is refused.
//
// Without `time_s` the rows are steady points in the order taken. They may say how well each
// reading is known: `motor_rpm_sd`, `handwheel_rpm_sd`, `torque_nm_sd`, `supply_v_sd` (standard
// uncertainty). Rows of empty cells are passed over.
#pragma once

#include <functional>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "db/book.h"
#include "db/care/plausible.h"
#include "db/exchange/csv_columns.h"
#include "db/exchange/csv_lines.h"

namespace loadline {

class CsvReader;

/// One file, read from its header to its end as often as each_block is called. Error(kInput) at the
/// first fault, with "FILE, line N, column M (name): …".
class CsvTable {
 public:
  /// `path` may be a pipe, or "-" for standard input.
  explicit CsvTable(const std::string& path, const CsvOptions& options = {});
  ~CsvTable();
  CsvTable(const CsvTable&) = delete;
  CsvTable& operator=(const CsvTable&) = delete;

  /// Without times: `time_s` of the readings is the number of their row.
  bool steady() const;
  /// Lines above the header that belong to no table: titles and remarks of other programs.
  int lines_left_out() const;
  /// Hands the readings over in blocks. `progress` gets bytes done and in all.
  void each_block(const TakeReadings& take, const TellBytes& progress = {});

 private:
  void open();

  CsvOptions options_;
  CsvSource source_;
  std::unique_ptr<CsvReader> reader_;
  bool begun_ = false;  ///< the reader is at its end, or on its way there
  int copy_ = -1;       ///< of a stream, in memory
};

/// Error(kInput) for a kind that is known by its change over time: coast-down and spin-up.
void require_steady_kind(RunKind kind);

/// The whole file as above.
void read_csv(const std::string& path,
              const std::function<void(std::span<const ImportedReading>)>& take,
              const std::function<void(double, double)>& progress = {});

/// Reads `path` into a new, complete run of `book` and returns its number. All or nothing.
/// `judge` sees the whole run before it is kept; when it throws, nothing is in the book.
using JudgeImport = std::function<void(const Run&, const RunSurvey&)>;
std::int64_t import_table(Book& book, CsvTable& table, const Run& run,
                          const std::function<void(double, double)>& progress = {},
                          const JudgeImport& judge = {});
std::int64_t import_csv(Book& book, const std::string& path, const Run& run,
                        const std::function<void(double, double)>& progress = {});

}  // namespace loadline
