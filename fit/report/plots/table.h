// A table as a value: rows under headings that carry the unit. From the same value come the page's
// table and the file of --csv, so that they cannot disagree.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "db/basis/estimate.h"
#include "db/basis/language.h"

namespace loadline {

struct Column {
  std::string heading;    ///< "Peak power"
  std::string unit;       ///< "W"; the cells of this column are in it
  bool estimate = false;  ///< cells are Estimates: three columns (value, low, high) in the CSV file
  bool words = false;     ///< cells are words of ours, no names: said in the page's language
};

/// What stands in one cell: text, a bare number or a number with its interval. Made from any of
/// these without being asked.
struct Cell {
  enum class Kind { kText, kNumber, kEstimate };
  Cell(std::string words) : text(std::move(words)) {}                          // NOLINT
  Cell(const char* words) : text(words) {}                                     // NOLINT
  Cell(double value) : kind(Kind::kNumber), number(value) {}                   // NOLINT
  Cell(Estimate value) : kind(Kind::kEstimate), estimate(std::move(value)) {}  // NOLINT

  Kind kind = Kind::kText;
  std::string text;
  double number = 0;
  Estimate estimate;
};

struct Table {
  std::string id;  ///< unique in the page, [a-z0-9-]; also the file name of --csv
  std::string caption;
  std::vector<Column> columns;
  std::vector<std::vector<Cell>> rows;  ///< each as long as `columns`
};

/// Leaves out columns in which no row has anything to say.
Table without_empty_columns(Table table);

/// A <table> with caption and scope; wrapped so that it scrolls by itself on a narrow screen.
std::string to_html(const Table& table, const Language& language = {});

/// RFC 4180 with a header row; headings carry the unit ("Peak power (W)", then "… low", "… high").
/// A text cell that a spreadsheet would take for a formula gets an apostrophe in front.
std::string to_csv(const Table& table);

/// "1,234 (1,200 to 1,270)" with the interval in its own element, for cells and for key figures.
std::string estimate_html(const Estimate& estimate, bool with_unit, const Language& language = {});

}  // namespace loadline
