#include "db/exchange/csv_in.h"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <cstdlib>

#include "db/exchange/csv_lines.h"
#include "db/store/text.h"

namespace loadline {

const char* const kReadingColumns[6] = {"time_s",    "motor_rpm", "handwheel_rpm",
                                        "torque_nm", "supply_v",  "temperature_c"};

namespace {

constexpr std::size_t kBlock = 4096;
constexpr double kLargest = 1e15;

using Member = double ImportedReading::*;
constexpr Member kMembers[kReadingColumnCount] = {
    &ImportedReading::time_s,    &ImportedReading::motor_rpm, &ImportedReading::handwheel_rpm,
    &ImportedReading::torque_nm, &ImportedReading::supply_v,  &ImportedReading::temperature_c};

const char* name_of(Member member) {
  for (int i = 0; i < kReadingColumnCount; ++i)
    if (kMembers[i] == member) return kReadingColumns[i];
  return "";
}

bool is_blank(char c) { return c == ' ' || c == '\t'; }

std::string_view trimmed(std::string_view text) {
  while (!text.empty() && is_blank(text.front())) text.remove_prefix(1);
  while (!text.empty() && is_blank(text.back())) text.remove_suffix(1);
  return text;
}

// A piece of the file fit to stand in a message: printable and short.
std::string shown(std::string_view text) {
  constexpr std::size_t kLongest = 40;
  std::string out = made_printable(text.substr(0, kLongest));
  std::replace_if(
      out.begin(), out.end(), [](char c) { return c == '\n' || c == '\t'; }, ' ');
  return text.size() > kLongest ? out + "…" : out;
}

// Where a fault lies and what it is.
struct Place {
  const std::string& path;
  long line;

  [[noreturn]] void refuse(const std::string& what) const {
    throw Error(Fault::kInput, fmt::format("{}, line {}: {}", path, line, what));
  }
  [[noreturn]] void refuse(std::size_t column, const char* name, const std::string& what) const {
    throw Error(Fault::kInput,
                fmt::format("{}, line {}, column {} ({}): {}", path, line, column + 1, name, what));
  }
};

// Cuts one cell off the front of `rest`, and the comma after it. Quotes are taken away; a doubled
// quote inside stands for one (RFC 4180 section 2). `more` says whether a comma was there.
std::string take_quoted_cell(std::string_view& rest, bool& more, const Place& place) {
  std::string cell;
  std::size_t i = rest.find('"') + 1;
  for (; i < rest.size(); ++i) {
    if (rest[i] == '"') {
      if (i + 1 >= rest.size() || rest[i + 1] != '"') break;
      ++i;
    }
    cell += rest[i];
  }
  if (i >= rest.size()) place.refuse("a quoted cell has no closing quote; close it on its line.");
  rest = trimmed(rest.substr(i + 1));
  more = !rest.empty();
  if (more && rest.front() != ',')
    place.refuse("characters stand after the closing quote of a cell; remove them.");
  if (more) rest.remove_prefix(1);
  return std::string(trimmed(cell));
}

std::string take_cell(std::string_view& rest, bool& more, const Place& place) {
  if (trimmed(rest).starts_with('"')) return take_quoted_cell(rest, more, place);
  const std::size_t comma = rest.find(',');
  const std::string_view cell = trimmed(rest.substr(0, comma));
  more = comma != std::string_view::npos;
  if (more) rest.remove_prefix(comma + 1);
  return std::string(cell);
}

std::vector<std::string> split(std::string_view line, const Place& place) {
  std::vector<std::string> cells;
  for (bool more = true; more;) cells.push_back(take_cell(line, more, place));
  return cells;
}

std::string separator_hint(std::string_view line) {
  if (line.find(',') != std::string_view::npos) return "";
  for (const auto& [separator, word] :
       {std::pair{';', "semicolons"}, std::pair{'\t', "tabs"}, std::pair{'|', "bars"}})
    if (line.find(separator) != std::string_view::npos)
      return fmt::format(
          " The cells seem to be separated by {}: save the file with commas, and with "
          "a point in the numbers.",
          word);
  return "";
}

std::string list_of_columns() {
  std::string out;
  for (const char* name : kReadingColumns) out += (out.empty() ? "" : ", ") + std::string(name);
  return out;
}

Member member_named(const std::string& name) {
  for (int i = 0; i < kReadingColumnCount; ++i)
    if (name == kReadingColumns[i]) return kMembers[i];
  return nullptr;
}

void require_known(const std::vector<std::string>& cells, std::string_view line,
                   const Place& place) {
  if (line.starts_with("SQLite format 3"))
    place.refuse("this is a book, not a CSV file; 'loadline-db merge' brings its runs in.");
  constexpr std::size_t kMostNamed = 8;
  std::string unknown;
  std::size_t count = 0;
  for (std::size_t i = 0; i < cells.size(); ++i) {
    if (member_named(cells[i]) || ++count > kMostNamed) continue;
    unknown +=
        fmt::format("{}'{}' (column {})", unknown.empty() ? "" : ", ", shown(cells[i]), i + 1);
  }
  if (count == 0) return;
  if (count > kMostNamed) unknown += fmt::format(" and {} more", count - kMostNamed);
  place.refuse(fmt::format("the header has columns that are not known: {}. Known are {}.{}",
                           unknown, list_of_columns(), separator_hint(line)));
}

std::vector<Member> parse_header(std::string_view line, const Place& place) {
  const std::vector<std::string> cells = split(line, place);
  require_known(cells, line, place);
  std::vector<Member> columns;
  for (const std::string& cell : cells) {
    const Member member = member_named(cell);
    if (std::find(columns.begin(), columns.end(), member) != columns.end())
      place.refuse(columns.size(), name_of(member),
                   "the header has this column twice; remove one.");
    columns.push_back(member);
  }
  if (std::find(columns.begin(), columns.end(), &ImportedReading::time_s) == columns.end())
    place.refuse("the header has no column time_s; every reading needs its time in seconds.");
  if (columns.size() < 2)
    place.refuse(
        fmt::format("the header has no column beside time_s; known are {}.", list_of_columns()));
  return columns;
}

// Out of std::from_chars' range: too small is zero to any bench, too large is refused by the
// caller.
double beyond_range(const char* begin, const char* end) {
  return std::strtod(std::string(begin, end).c_str(), nullptr);
}

/// Reads rows of numbers by the header's columns; one object per file.
class RowParser {
 public:
  RowParser(std::vector<Member> columns, const std::string& path)
      : columns_(std::move(columns)), path_(path) {}

  ImportedReading parse(std::string_view line, long number) {
    const Place place{path_, number};
    ImportedReading reading;
    const char* at = line.data();
    const char* const end = at + line.size();
    for (std::size_t column = 0;; ++column, ++at) {
      if (column == columns_.size()) refuse_width(line, place);
      at = parse_cell(at, end, reading.*columns_[column], column, place);
      if (at != end) continue;
      if (column + 1 != columns_.size()) refuse_width(line, place);
      break;
    }
    require_time(reading.time_s, place);
    return reading;
  }

 private:
  // Returns where the cell ends: at its comma or at the end of the line.
  const char* parse_cell(const char* at, const char* end, double& value, std::size_t column,
                         const Place& place) {
    while (at != end && is_blank(*at)) ++at;
    if (at == end || *at == ',') return at;
    if (*at == '"') return parse_quoted(at, end, value, column, place);
    const char* const cell_end = std::find(at, end, ',');
    value = number(trimmed({at, static_cast<std::size_t>(cell_end - at)}), column, place);
    return cell_end;
  }

  const char* parse_quoted(const char* at, const char* end, double& value, std::size_t column,
                           const Place& place) {
    std::string_view rest(at, static_cast<std::size_t>(end - at));
    bool more = false;
    const std::string cell = take_cell(rest, more, place);
    if (!cell.empty()) value = number(cell, column, place);
    return more ? rest.data() - 1 : end;
  }

  double number(std::string_view cell, std::size_t column, const Place& place) const {
    const char* begin = cell.data();
    const char* const end = begin + cell.size();
    if (cell.size() > 1 && *begin == '+' && begin[1] != '-') ++begin;
    double value = 0;
    const auto [stop, fault] = std::from_chars(begin, end, value);
    if (fault == std::errc::result_out_of_range) value = beyond_range(begin, stop);
    if (fault == std::errc::invalid_argument || stop != end) refuse_text(cell, column, place);
    if (!std::isfinite(value) || std::abs(value) > kLargest)
      place.refuse(
          column, name_of(columns_[column]),
          fmt::format("'{}' is not a finite number of a bench; correct the cell or leave it "
                      "empty.",
                      shown(cell)));
    return value + 0.0;  // a negative zero becomes zero, as SQLite stores it
  }

  [[noreturn]] void refuse_text(std::string_view cell, std::size_t column,
                                const Place& place) const {
    place.refuse(
        column, name_of(columns_[column]),
        fmt::format("'{}' is not a number; correct the cell or leave it empty.", shown(cell)));
  }

  [[noreturn]] void refuse_width(std::string_view line, const Place& place) const {
    const std::size_t cells = split(line, place).size();
    place.refuse(fmt::format("{} cells, but the header has {} columns; {}", cells, columns_.size(),
                             cells < columns_.size() ? "fill the row up with commas."
                                                     : "a number may have a decimal comma in it."));
  }

  void require_time(double time_s, const Place& place) {
    const auto column = static_cast<std::size_t>(
        std::find(columns_.begin(), columns_.end(), &ImportedReading::time_s) - columns_.begin());
    if (std::isnan(time_s))
      place.refuse(column, "time_s", "the time is missing; every reading needs one.");
    if (time_s < last_time_s_)
      place.refuse(
          column, "time_s",
          fmt::format("{} s comes after {} s; time must not run backwards.", time_s, last_time_s_));
    last_time_s_ = time_s;
  }

  std::vector<Member> columns_;
  const std::string& path_;
  double last_time_s_ = -std::numeric_limits<double>::infinity();
};

std::vector<Member> read_header(CsvLines& lines, const std::string& path) {
  std::string_view line;
  while (lines.next(line))
    if (!trimmed(line).empty()) return parse_header(line, {path, lines.number()});
  throw Error(
      Fault::kInput,
      fmt::format("{}, line 1: the file is empty; it needs a header row with time_s and the "
                  "channels, then the readings.",
                  path));
}

}  // namespace

void read_csv(const std::string& path,
              const std::function<void(std::span<const ImportedReading>)>& take,
              const std::function<void(double, double)>& progress) {
  CsvLines lines(path);
  RowParser parser(read_header(lines, path), path);
  std::vector<ImportedReading> block;
  block.reserve(kBlock);
  bool any = false;
  for (std::string_view line; lines.next(line);) {
    if (trimmed(line).empty()) continue;
    block.push_back(parser.parse(line, lines.number()));
    any = true;
    if (block.size() < kBlock) continue;
    take(block);
    block.clear();
    if (progress) progress(lines.bytes_done(), lines.bytes_in_all());
  }
  if (!any)
    throw Error(Fault::kInput,
                fmt::format("{}, line {}: there is a header but no reading under it.", path,
                            lines.number()));
  if (!block.empty()) take(block);
}

std::int64_t import_csv(Book& book, const std::string& path, const Run& run,
                        const std::function<void(double, double)>& progress) {
  Book::Transaction transaction(book);
  Run imported = run;
  imported.source = "csv";
  const std::int64_t id = book.begin_run(imported);
  read_csv(
      path, [&](std::span<const ImportedReading> rows) { book.append(id, rows); }, progress);
  book.end_run(id, RunState::kComplete);
  transaction.commit();
  return id;
}

}  // namespace loadline
