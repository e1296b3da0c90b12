#include "db/exchange/csv_in.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/mman.h>
#include <unistd.h>

#include <algorithm>
#include <array>
#include <cerrno>
#include <charconv>
#include <cmath>
#include <cstdlib>
#include <cstring>
#include <filesystem>

#include "db/exchange/csv_lines.h"
#include "db/exchange/csv_reader.h"
#include "db/exchange/header_names.h"
#include "db/sql/text.h"

namespace loadline {

namespace {

using Member = double ImportedReading::*;
constexpr ReadingColumn kColumns[] = {{"time_s", &ImportedReading::time_s},
                                      {"motor_rpm", &ImportedReading::motor_rpm},
                                      {"handwheel_rpm", &ImportedReading::handwheel_rpm},
                                      {"torque_nm", &ImportedReading::torque_nm},
                                      {"supply_v", &ImportedReading::supply_v},
                                      {"temperature_c", &ImportedReading::temperature_c},
                                      {"motor_rpm_sd", &ImportedReading::motor_rpm_sd},
                                      {"handwheel_rpm_sd", &ImportedReading::handwheel_rpm_sd},
                                      {"torque_nm_sd", &ImportedReading::torque_nm_sd},
                                      {"supply_v_sd", &ImportedReading::supply_v_sd}};
constexpr std::size_t kFirstSd = 6;

const char* name_of(Member member) {
  for (const ReadingColumn& column : kColumns)
    if (column.member == member) return column.name;
  return "";
}

constexpr char kComma = ',';

Member member_named(const std::string& name) {
  for (const ReadingColumn& column : kColumns)
    if (name == column.name) return column.member;
  return nullptr;
}

std::vector<Member> parse_header(std::string_view line, const CsvPlace& place) {
  std::vector<const ReadingColumn*> columns;
  std::vector<Member> members;
  for (const std::string& cell : split_cells(line, kComma, place)) {
    members.push_back(member_named(cell));
    for (const ReadingColumn& column : kColumns)
      if (column.member == members.back()) columns.push_back(&column);
  }
  require_useful_columns(columns, place);
  return members;
}

bool has_time(const std::vector<Member>& columns) {
  return std::find(columns.begin(), columns.end(), &ImportedReading::time_s) != columns.end();
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
      : columns_(std::move(columns)), path_(path), steady_(!has_time(columns_)) {}

  bool steady() const { return steady_; }

  ImportedReading parse(std::string_view line, long number) {
    const CsvPlace place{path_, number};
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
    if (!steady_) require_time(reading.time_s, place);
    return reading;
  }

 private:
  // Returns where the cell ends: at its comma or at the end of the line.
  const char* parse_cell(const char* at, const char* end, double& value, std::size_t column,
                         const CsvPlace& place) {
    while (at != end && is_blank(*at)) ++at;
    if (at == end || *at == ',') return at;
    if (*at == '"') return parse_quoted(at, end, value, column, place);
    const char* const cell_end = std::find(at, end, ',');
    value = number(trimmed_cell({at, static_cast<std::size_t>(cell_end - at)}), column, place);
    return cell_end;
  }

  const char* parse_quoted(const char* at, const char* end, double& value, std::size_t column,
                           const CsvPlace& place) {
    std::string_view rest(at, static_cast<std::size_t>(end - at));
    bool more = false;
    const std::string cell = take_cell(rest, more, kComma, place);
    if (!cell.empty()) value = number(cell, column, place);
    return more ? rest.data() - 1 : end;
  }

  double number(std::string_view cell, std::size_t column, const CsvPlace& place) const {
    const char* begin = cell.data();
    const char* const end = begin + cell.size();
    if (cell.size() > 1 && *begin == '+' && begin[1] != '-') ++begin;
    double value = 0;
    const auto [stop, fault] = std::from_chars(begin, end, value);
    if (fault == std::errc::result_out_of_range) value = beyond_range(begin, stop);
    if (fault == std::errc::invalid_argument || stop != end) {
      if (says_no_value(cell)) return std::numeric_limits<double>::quiet_NaN();
      refuse_text(cell, column, place);
    }
    if (!std::isfinite(value) || std::abs(value) > kLargestValue)
      place.refuse(
          column, name_of(columns_[column]),
          fmt::format("'{}' is not a finite number of a bench; correct the cell or leave it "
                      "empty.",
                      shown_cell(cell)));
    return value + 0.0;  // a negative zero becomes zero, as SQLite stores it
  }

  [[noreturn]] void refuse_text(std::string_view cell, std::size_t column,
                                const CsvPlace& place) const {
    place.refuse(
        column, name_of(columns_[column]),
        fmt::format("'{}' is not a number; correct the cell or leave it empty.", shown_cell(cell)));
  }

  [[noreturn]] void refuse_width(std::string_view line, const CsvPlace& place) const {
    const std::size_t cells = split_cells(line, kComma, place).size();
    place.refuse(fmt::format("{} cells, but the header has {} columns; {}", cells, columns_.size(),
                             cells < columns_.size() ? "fill the row up with commas."
                                                     : "a number may have a decimal comma in it."));
  }

  void require_time(double time_s, const CsvPlace& place) {
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
  bool steady_;
  double last_time_s_ = -std::numeric_limits<double>::infinity();
};

std::vector<Member> read_header(CsvLines& lines, const std::string& path) {
  std::string_view line;
  while (lines.next(line) && trimmed_cell(line).empty()) {
  }
  return parse_header(line, {path, lines.number()});
}

// The table that `import` documents, at the pace of the disk.
class PlainReader : public CsvReader {
 public:
  explicit PlainReader(const CsvSource& source)
      : path_(source.name),
        lines_(source),
        members_(read_header(lines_, path_)),
        parser_(members_, path_) {
    for (const Member member : members_)
      for (const ReadingColumn& column : kColumns)
        if (column.member == member) columns_.push_back(&column);
  }
  bool steady() const override { return parser_.steady(); }
  void each_block(const TakeReadings& take, const TellBytes& progress) override {
    const bool steady = parser_.steady();
    read_in_blocks(lines_, path_, take, progress,
                   [&](std::string_view line, ImportedReading& reading) {
                     reading = parser_.parse(line, lines_.number());
                     return !steady || points_.take(reading, columns_, {path_, lines_.number()});
                   });
  }

 private:
  std::string path_;
  CsvLines lines_;
  std::vector<Member> members_;
  RowParser parser_;
  std::vector<const ReadingColumn*> columns_;
  SteadyRows points_;
};

// Anything that a comma-separated row of plain numbers does not have.
bool looks_foreign(std::string_view row) {
  bool quoted = false;
  for (const char c : row) {
    quoted = quoted != (c == '"');
    if ((quoted && c == ',') || c == ';' || c == ':' || c == '\'' || (c & 0x80) != 0) return true;
  }
  return false;
}

// A row of units below the header, which begins with one.
bool has_unit(std::string_view row) {
  return is_known_unit(std::string(trimmed_cell(row.substr(0, row.find(kComma)))));
}

// Judged from the header and the first rows; what is odd further down is refused with its line.
bool is_plain(const CsvSource& source) {
  constexpr int kRows = 30;
  CsvLines lines(source);
  int row = 0;
  for (std::string_view line; row < kRows && lines.next(line);) {
    if (trimmed_cell(line).empty()) continue;
    if (row++ > 0) {
      if (looks_foreign(line) || (row == 2 && has_unit(line))) return false;
      continue;
    }
    if (line.find('"') != std::string_view::npos) return false;
    for (const std::string& cell : split_cells(line, kComma, {source.name, lines.number()}))
      if (!member_named(cell)) return false;
  }
  return row > 0;
}

}  // namespace

std::span<const ReadingColumn> reading_columns_known() { return kColumns; }

namespace {

[[noreturn]] void refuse_stream(const std::string& name) {
  throw Error(Fault::kInput, fmt::format("{} cannot be read ({}); save it as a file first.", name,
                                         std::strerror(errno)));
}

// A pipe gives its bytes once only; they are kept in memory, to be read again.
int copy_of_stream(const std::string& name) {
  const int from = name == "-" ? dup(STDIN_FILENO) : ::open(name.c_str(), O_RDONLY | O_CLOEXEC);
  if (from < 0) refuse_stream(name);
  const int copy = memfd_create("table", MFD_CLOEXEC);
  std::vector<char> bytes(1 << 16);
  ssize_t got = 0;
  while (copy >= 0 && (got = read(from, bytes.data(), bytes.size())) > 0)
    if (write(copy, bytes.data(), static_cast<std::size_t>(got)) != got) got = -1;
  close(from);
  if (copy >= 0 && got == 0) return copy;
  if (copy >= 0) close(copy);
  refuse_stream(name);
}

bool is_stream(const std::string& path) {
  std::error_code ignored;
  const auto type = std::filesystem::status(path, ignored).type();
  return path == "-" || type == std::filesystem::file_type::fifo ||
         type == std::filesystem::file_type::character ||
         type == std::filesystem::file_type::socket;
}

}  // namespace

CsvTable::CsvTable(const std::string& path, const CsvOptions& options)
    : options_(options), source_{path, path} {
  if (is_stream(path)) {
    copy_ = copy_of_stream(path);
    source_ = {fmt::format("/proc/self/fd/{}", copy_), path == "-" ? "standard input" : path};
  }
  try {
    open();
  } catch (...) {
    if (copy_ >= 0) close(copy_);
    throw;
  }
}

void CsvTable::open() {
  if (options_.columns.empty() && !options_.decimal && is_plain(source_))
    reader_ = std::make_unique<PlainReader>(source_);
  else
    reader_ = foreign_reader(source_, options_);
}

CsvTable::~CsvTable() {
  reader_.reset();
  if (copy_ >= 0) close(copy_);
}

bool CsvTable::steady() const { return reader_->steady(); }
int CsvTable::lines_left_out() const { return reader_->lines_left_out(); }
void CsvTable::each_block(const TakeReadings& take, const TellBytes& progress) {
  if (begun_) open();
  begun_ = true;
  reader_->each_block(take, progress);
}

void require_steady_kind(RunKind kind) {
  if (kind == RunKind::kCoastDown || kind == RunKind::kSpinUp)
    throw Error(Fault::kInput,
                fmt::format("a {} is known by its change over time, so its table needs a column "
                            "time_s; steady points can be no-load, brake, driven, slip-check or "
                            "top-speed.",
                            run_kind_name(kind)));
}

void read_csv(const std::string& path,
              const std::function<void(std::span<const ImportedReading>)>& take,
              const std::function<void(double, double)>& progress) {
  CsvTable(path).each_block(take, progress);
}

std::int64_t import_csv(Book& book, const std::string& path, const Run& run,
                        const std::function<void(double, double)>& progress) {
  CsvTable table(path);
  return import_table(book, table, run, progress);
}

std::int64_t import_table(Book& book, CsvTable& table, const Run& run,
                          const std::function<void(double, double)>& progress,
                          const JudgeImport& judge) {
  if (table.steady()) require_steady_kind(run.kind);
  Book::Transaction transaction(book);
  Run imported = run;
  imported.source = RunSource::kFile;
  imported.steady = table.steady();
  const std::int64_t id = book.begin_run(imported);
  RunSurvey survey;
  table.each_block(
      [&](std::span<const ImportedReading> rows) {
        book.append(id, rows);
        survey.take(rows);
      },
      progress);
  book.end_run(id, RunState::kComplete);
  if (judge) judge(book.run(id), survey);
  transaction.commit();
  return id;
}

// ---- what the readers share ---------------------------------------------------------------------

std::string_view trimmed_cell(std::string_view text) {
  while (!text.empty() && is_blank(text.front())) text.remove_prefix(1);
  while (!text.empty() && is_blank(text.back())) text.remove_suffix(1);
  return text;
}

std::string shown_cell(std::string_view text) {
  constexpr std::size_t kLongest = 40;
  return on_one_line(text.substr(0, kLongest)) + (text.size() > kLongest ? "…" : "");
}

bool says_no_value(std::string_view cell) {
  if (cell.size() > 1 && cell.find_first_not_of('-') == std::string_view::npos) return true;
  static constexpr std::array kWords = {"n/a",  "#n/a", "na",   "nan", "null",
                                        "none", "ol",   "o.l.", "-"};
  return std::find(kWords.begin(), kWords.end(), lowered(std::string(cell))) != kWords.end();
}

void CsvPlace::refuse(const std::string& what) const {
  throw Error(Fault::kInput, fmt::format("{}, line {}: {}", path, line, what));
}

void CsvPlace::refuse(std::size_t column, const std::string& name, const std::string& what) const {
  throw Error(Fault::kInput, fmt::format("{}, line {}, column {} ({}): {}", path, line, column + 1,
                                         shown_cell(name), what));
}

namespace {

std::string take_quoted_cell(std::string_view& rest, bool& more, char separator,
                             const CsvPlace& place) {
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
  rest.remove_prefix(i + 1);
  while (!rest.empty() && is_blank(rest.front()) && rest.front() != separator)
    rest.remove_prefix(1);
  more = !rest.empty();
  if (more && rest.front() != separator)
    place.refuse("characters stand after the closing quote of a cell; remove them.");
  if (more) rest.remove_prefix(1);
  return std::string(trimmed_cell(cell));
}

}  // namespace

std::string take_cell(std::string_view& rest, bool& more, char separator, const CsvPlace& place) {
  std::size_t begin = 0;
  while (begin < rest.size() && is_blank(rest[begin]) && rest[begin] != separator) ++begin;
  if (begin < rest.size() && rest[begin] == '"')
    return take_quoted_cell(rest, more, separator, place);
  const std::size_t end = rest.find(separator);
  const std::string_view cell = trimmed_cell(rest.substr(0, end));
  more = end != std::string_view::npos;
  if (more) rest.remove_prefix(end + 1);
  return std::string(cell);
}

std::vector<std::string> split_cells(std::string_view line, char separator, const CsvPlace& place) {
  std::vector<std::string> cells;
  for (bool more = true; more;) cells.push_back(take_cell(line, more, separator, place));
  return cells;
}

std::string list_of_columns() {
  std::string out;
  for (const ReadingColumn& column : std::span(kColumns).first(kFirstSd))
    out += (out.empty() ? "" : ", ") + std::string(column.name);
  return out;
}

bool is_sd_column(const ReadingColumn& column) {
  const auto sds = std::span(kColumns).subspan(kFirstSd);
  return std::any_of(sds.begin(), sds.end(),
                     [&](const ReadingColumn& sd) { return sd.member == column.member; });
}

void require_useful_columns(const std::vector<const ReadingColumn*>& columns,
                            const CsvPlace& place) {
  bool timed = false, readings = false;
  for (std::size_t i = 0; i < columns.size(); ++i) {
    const auto here = columns.begin() + static_cast<std::ptrdiff_t>(i);
    if (std::find(columns.begin(), here, columns[i]) != here)
      place.refuse(i, columns[i]->name, "the header has this column twice; remove one.");
    timed = timed || columns[i]->member == &ImportedReading::time_s;
    readings =
        readings || (columns[i]->member != &ImportedReading::time_s && !is_sd_column(*columns[i]));
  }
  const auto sd = std::find_if(columns.begin(), columns.end(),
                               [](const ReadingColumn* column) { return is_sd_column(*column); });
  if (timed && sd != columns.end())
    place.refuse(static_cast<std::size_t>(sd - columns.begin()), (*sd)->name,
                 "standard uncertainties belong to a table of steady points; leave out time_s, or "
                 "this column.");
  if (!readings)
    place.refuse(fmt::format("the header has no column {}; known are {}.",
                             timed ? "beside time_s" : "of readings", list_of_columns()));
}

bool SteadyRows::take(ImportedReading& point, const std::vector<const ReadingColumn*>& columns,
                      const CsvPlace& place) {
  if (std::all_of(columns.begin(), columns.end(),
                  [&](const ReadingColumn* column) { return std::isnan(point.*column->member); }))
    return false;
  for (std::size_t i = 0; i < columns.size(); ++i)
    if (is_sd_column(*columns[i]) && point.*columns[i]->member < 0)
      place.refuse(i, columns[i]->name,
                   "a standard uncertainty is never negative; correct the cell.");
  point.time_s = static_cast<double>(++points_);
  return true;
}

}  // namespace loadline
