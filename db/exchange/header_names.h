// What a column of another program's table is: "Time (s)", "Moment [mNm]", "Drehzahl".
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "db/exchange/csv_in.h"

namespace loadline {

/// A column's quantity and the factors to its unit in the book: value = cell · factor + offset.
struct NamedColumn {
  const ReadingColumn* column = nullptr;  ///< nullptr: is left out
  double factor = 1, offset = 0;
};

/// A cell of the header, and the unit that a row below it says of it ("" where there is none).
struct HeaderCell {
  std::string text, unit;
};

/// A header cell that says its quantity in plain English and its unit ("Time (s)", "Motor_RPM",
/// "torque [mN·m]"), or has one of the names that import documents. Nothing is guessed: empty for
/// anything else.
std::optional<NamedColumn> column_of_header(const HeaderCell& cell);

/// Capitals made small, of English and of some accents of the headers known.
std::string lowered(std::string text);

/// Whether this is a unit that a header may name, with or without brackets around it.
bool is_known_unit(const std::string& text);

/// False where a header cell says one unit and the row below it another.
bool units_agree(const HeaderCell& cell);

/// The columns that --columns names: "Drehzahl=motor_rpm,Moment [mNm]=torque_nm:mN·m,Nr=-".
class ColumnNames {
 public:
  /// Error(kInput) that shows how it is written.
  explicit ColumnNames(const std::string& option);
  /// What is said of this header cell; empty when nothing is. Error(kInput) for a unit in the cell
  /// that is not known, when the option gives none.
  std::optional<NamedColumn> of(const HeaderCell& cell) const;
  bool names(const std::string& cell) const;
  /// A name of the option that stands in no cell of the header, or "".
  std::string unused(const std::vector<HeaderCell>& header) const;

 private:
  struct Entry {
    std::string name, target, unit;
  };
  std::vector<Entry> entries_;
};

/// What to do about a header with foreign columns: a sentence that begins with a blank and has a
/// ready argument of --columns, quoted for a shell. "UNIT" stands in it for a unit that is not
/// known, and the sentence says what is. `speed` is the column that a speed of unsaid place belongs
/// to.
std::string proposed_columns(const std::vector<HeaderCell>& header, const std::string& speed);

}  // namespace loadline
