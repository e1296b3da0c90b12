// How a file becomes readings, behind CsvTable: the quick way for the plain table that import
// documents, and the careful one for tables of other programs.
#pragma once

#include <memory>
#include <string>
#include <string_view>
#include <vector>

#include "db/exchange/csv_columns.h"
#include "db/exchange/csv_lines.h"

namespace loadline {

class CsvReader {
 public:
  CsvReader() = default;
  virtual ~CsvReader() = default;
  CsvReader(const CsvReader&) = delete;
  CsvReader& operator=(const CsvReader&) = delete;
  virtual bool steady() const = 0;
  /// Above the header.
  virtual int lines_left_out() const { return 0; }
  virtual void each_block(const TakeReadings& take, const TellBytes& progress) = 0;
};

/// The careful way: separator, marks, encoding, clock times, foreign names. Reads the file twice.
std::unique_ptr<CsvReader> foreign_reader(const CsvSource& source, const CsvOptions& options);

// What both share.

inline constexpr std::size_t kRowsPerBlock = 4096;
inline constexpr double kLargestValue = 1e15;

inline bool is_blank(char c) { return c == ' ' || c == '\t'; }
std::string_view trimmed_cell(std::string_view text);

/// A piece of the file fit to stand in a message: printable and short.
std::string shown_cell(std::string_view text);

/// What instruments and spreadsheets put where there is no value: "n/a", "---", "OL" (overload).
bool says_no_value(std::string_view cell);

/// Where a fault lies and what it is.
struct CsvPlace {
  const std::string& path;
  long line;

  [[noreturn]] void refuse(const std::string& what) const;
  [[noreturn]] void refuse(std::size_t column, const std::string& name,
                           const std::string& what) const;
};

/// Cuts one cell off the front of `rest`, and the separator after it. Quotes are taken away; a
/// doubled quote inside stands for one (RFC 4180 section 2). `more` says whether a separator was
/// there.
std::string take_cell(std::string_view& rest, bool& more, char separator, const CsvPlace& place);
std::vector<std::string> split_cells(std::string_view line, char separator, const CsvPlace& place);

/// Refuses a header without a column of readings, with one twice, with times beside standard
/// uncertainties.
void require_useful_columns(const std::vector<const ReadingColumn*>& columns,
                            const CsvPlace& place);

/// Hands what is left of `lines` on in blocks. `parse(line, reading)` fills a reading, or returns
/// false for a line that has none; blank lines do not come to it. Error(kInput) without any.
template <typename Parse>
void read_in_blocks(CsvLines& lines, const std::string& path, const TakeReadings& take,
                    const TellBytes& progress, Parse parse) {
  std::vector<ImportedReading> block;
  block.reserve(kRowsPerBlock);
  bool any = false;
  for (std::string_view line; lines.next(line);) {
    if (trimmed_cell(line).empty()) continue;
    if (!parse(line, block.emplace_back())) {
      block.pop_back();
      continue;
    }
    any = true;
    if (block.size() < kRowsPerBlock) continue;
    take(block);
    block.clear();
    if (progress) progress(lines.bytes_done(), lines.bytes_in_all());
  }
  if (!any) CsvPlace{path, lines.number()}.refuse("there is a header but no reading under it.");
  if (!block.empty()) take(block);
}

bool is_sd_column(const ReadingColumn& column);
std::string list_of_columns();

/// Numbers the points of a steady table. False for a row of empty cells, which is passed over.
class SteadyRows {
 public:
  bool take(ImportedReading& point, const std::vector<const ReadingColumn*>& columns,
            const CsvPlace& place);

 private:
  long points_ = 0;
};

}  // namespace loadline
