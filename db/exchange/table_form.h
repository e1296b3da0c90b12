// How somebody's table is laid out: where its header is, what stands between its cells, where its
// readings begin.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "db/exchange/csv_lines.h"
#include "db/exchange/header_names.h"

namespace loadline {

inline constexpr char kNoSeparator = '\n';  // a table of one column

struct TableForm {
  char separator = ',';
  bool by_blanks = false;  ///< cells stand apart by blanks; laid_out() puts a tab for them
  std::vector<HeaderCell> header;
  long header_line = 0;  ///< from 1
  long last_above = 0;   ///< line of the header, or of the row of units below it
  int left_out = 0;      ///< lines above the header, besides a line "sep="
};

/// Judged from the first lines of the file. The header is the first line with a name that is known
/// or that `given` names; else the first one above a line of numbers. Error(kInput) for a file that
/// is empty, or no table at all.
TableForm table_form(const CsvSource& source, const ColumnNames& given);

/// The line as the reader of cells takes it; `kept` holds it where it had to be written anew.
std::string_view laid_out(std::string_view line, const TableForm& form, std::string& kept);

/// Whether the line is a remark, which has no readings.
bool is_remark(std::string_view line);

}  // namespace loadline
