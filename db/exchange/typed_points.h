// Readings typed one by one at a terminal, for the evening without a file.
#pragma once

#include <iosfwd>
#include <vector>

#include "db/book.h"

namespace loadline {

/// The columns that a kind of run is typed in: what is read by hand there.
std::vector<const char*> typed_columns(RunKind kind);

/// Asks on `ask` for points until an empty line or the end of `in`: one line each, the columns with
/// blanks between, "-" for none, decimal point or comma; "undo" takes the last point back. After
/// each line the means and their scatter are shown. What does not read is asked for again. Returns
/// the points as typed, numbered.
std::vector<ImportedReading> type_points(RunKind kind, std::istream& in, std::ostream& ask);

/// Keeps typed points as a steady run, as import_table does a file.
std::int64_t store_points(Book& book, const std::vector<ImportedReading>& points, const Run& run);

}  // namespace loadline
