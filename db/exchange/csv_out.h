// Runs, parts and curves out of the book as CSV.
//
// Lines end with LF, cells are quoted where RFC 4180 asks for it, numbers are the shortest text
// that reads back as the same number. A text cell that a spreadsheet would take for a formula (it
// begins with = + - @, a tab or a carriage return) gets an apostrophe in front.
#pragma once

#include <functional>
#include <ostream>
#include <string>

#include "db/book.h"

namespace loadline {

/// One cell of text, guarded and quoted as said above.
std::string csv_text(const std::string& text);
/// One cell of a number, empty for NaN.
std::string csv_number(double value);

/// A run under the header of `import`, without the columns that hold nothing. A recorded run is
/// given as readings: speed by reciprocal count from one sample to the next (empty where no edge
/// came), torque through the newest calibration of its rig and the run's zeros. Returns the number
/// of rows; `progress` (may be empty) is told how many are written. Error(kInput) for a run in
/// which nothing but time could be written.
std::int64_t export_run(const Book& book, std::int64_t run, std::ostream& out,
                        const std::function<void(double)>& progress = {});

/// All parts of a kind: name, the kind's fields, note, uuid.
std::int64_t export_parts(const Book& book, PartKind kind, std::ostream& out);

/// The list of runs with what was mounted.
std::int64_t export_runs(const Book& book, std::ostream& out);

/// All curves, one row per parameter: curve, subject, model, parameter, value, standard deviation,
/// 95 % limits, measured range in rpm.
std::int64_t export_curves(const Book& book, std::ostream& out);

}  // namespace loadline
