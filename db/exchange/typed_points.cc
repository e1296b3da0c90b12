#include "db/exchange/typed_points.h"

#include <fmt/format.h>
#include <fmt/ranges.h>

#include <cmath>
#include <iostream>
#include <sstream>

#include "db/exchange/csv_in.h"
#include "db/exchange/number_marks.h"

namespace loadline {
namespace {

double ImportedReading::*member_named(const char* name) {
  for (const ReadingColumn& column : reading_columns_known())
    if (std::string(name) == column.name) return column.member;
  return nullptr;
}

// One number by itself cannot show whether its comma parts thousands.
double typed_number(const std::string& word) {
  if (word == "-") return ImportedReading::kNone;
  MarkEvidence evidence;
  evidence.look_at(word, 1);
  const bool comma = word.find(',') != std::string::npos;
  if (comma && evidence.decimal() == 0)
    throw Error(Fault::kInput,
                fmt::format("'{}' may be two numbers; type it without the comma.", word));
  const auto number = NumberMarks(comma ? evidence.decimal() : '.').number(word);
  if (!number || !std::isfinite(*number) || std::fabs(*number) > 1e15)
    throw Error(Fault::kInput, fmt::format("'{}' is not a number.", word));
  return *number;
}

ImportedReading typed_point(const std::string& line, const std::vector<const char*>& columns) {
  std::istringstream words(line);
  std::vector<std::string> cells;
  for (std::string word; words >> word;) cells.push_back(word);
  if (cells.size() != columns.size())
    throw Error(Fault::kInput, fmt::format("{} numbers are asked for ({}), {} were typed.",
                                           columns.size(), fmt::join(columns, " "), cells.size()));
  ImportedReading point;
  bool any = false;
  for (std::size_t i = 0; i < columns.size(); ++i) {
    point.*member_named(columns[i]) = typed_number(cells[i]);
    any = any || cells[i] != "-";
  }
  if (!any) throw Error(Fault::kInput, "a point needs one number at least.");
  return point;
}

// "mean of 3: 1340.3 handwheel_rpm (scatter 1.5)".
std::string means(const std::vector<ImportedReading>& points,
                  const std::vector<const char*>& columns) {
  std::string text = fmt::format("  mean of {}:", points.size());
  for (const char* column : columns) {
    double sum = 0, squares = 0, n = 0;
    for (const ImportedReading& point : points)
      if (const double v = point.*member_named(column); !std::isnan(v)) sum += v, n += 1;
    if (n == 0) continue;
    for (const ImportedReading& point : points)
      if (const double v = point.*member_named(column); !std::isnan(v))
        squares += (v - sum / n) * (v - sum / n);
    text += fmt::format("  {} {:.6g}", column, sum / n);
    if (n > 1) text += fmt::format(" (scatter {:.3g})", std::sqrt(squares / (n - 1)));
  }
  return text;
}

}  // namespace

std::vector<const char*> typed_columns(RunKind kind) {
  require_steady_kind(kind);
  switch (kind) {
    case RunKind::kTopSpeed:
      return {"handwheel_rpm"};
    case RunKind::kBrake:
      return {"motor_rpm", "torque_nm"};
    case RunKind::kDriven:
      return {"motor_rpm", "handwheel_rpm", "supply_v"};
    default:
      return {"motor_rpm"};
  }
}

std::vector<ImportedReading> type_points(RunKind kind, std::istream& in, std::ostream& ask) {
  const std::vector<const char*> columns = typed_columns(kind);
  ask << fmt::format(
      "Type {} of one reading after the other, blanks between, '-' for none; 'undo' "
      "takes the last one back, an empty line ends.\n",
      fmt::join(columns, " "));
  std::vector<ImportedReading> points;
  const auto prompt = [&] { ask << fmt::format("{}: ", points.size() + 1) << std::flush; };
  prompt();
  for (std::string line; std::getline(in, line); prompt()) {
    if (line.find_first_not_of(" \t\r") == std::string::npos) break;
    if (line == "undo") {
      if (!points.empty()) points.pop_back();
      continue;
    }
    try {
      points.push_back(typed_point(line, columns));
      points.back().time_s = static_cast<double>(points.size());
      ask << means(points, columns) << "\n";
    } catch (const Error& error) {
      ask << "  " << error.what() << "\n";
    }
  }
  return points;
}

std::int64_t store_points(Book& book, const std::vector<ImportedReading>& points, const Run& run) {
  if (points.empty()) throw Error(Fault::kInput, "nothing was typed, so nothing was stored.");
  Book::Transaction transaction(book);
  Run typed = run;
  typed.source = RunSource::kFile;
  typed.steady = true;
  const std::int64_t id = book.begin_run(typed);
  book.append(id, points);
  book.end_run(id, RunState::kComplete);
  transaction.commit();
  return id;
}

}  // namespace loadline
