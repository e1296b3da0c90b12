// Tables of other people's programs: read once for what their marks mean, then for their numbers.
#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <sstream>
#include <tuple>

#include "db/exchange/csv_lines.h"
#include "db/exchange/csv_reader.h"
#include "db/exchange/header_names.h"
#include "db/exchange/number_marks.h"
#include "db/sql/text.h"

namespace loadline {
namespace {

constexpr std::array kSeparators = {';', '\t', ',', '|'};
constexpr char kNoSeparator = '\n';  // a table of one column
constexpr double kDayS = 86400;

const char* separator_word(char separator) {
  switch (separator) {
    case ';':
      return "semicolons";
    case '\t':
      return "tabs";
    case '|':
      return "bars";
    case kNoSeparator:
      return "nothing";
    default:
      return "commas";
  }
}

// "sep=;" as a spreadsheet writes it into the first line; 0 for any other line.
char separator_said(std::string_view line) {
  line = trimmed_cell(line);
  if (line.size() >= 2 && line.front() == '"' && line.back() == '"')
    line = line.substr(1, line.size() - 2);
  if (line.size() != 5 || (line.substr(0, 4) != "sep=" && line.substr(0, 4) != "SEP=")) return 0;
  return std::find(kSeparators.begin(), kSeparators.end(), line[4]) != kSeparators.end() ? line[4]
                                                                                         : 0;
}

std::size_t cells_in(std::string_view line, char separator) {
  std::size_t cells = 1;
  bool quoted = false;
  for (const char c : line) {
    quoted = quoted != (c == '"');
    if (!quoted && c == separator) ++cells;
  }
  return cells;
}

/// Lines at the top of the file from which its form is judged.
struct Top {
  char said = 0;  ///< by a line "sep="
  std::vector<std::string> lines;
};

Top top_of(const CsvSource& source) {
  constexpr std::size_t kLines = 30;
  CsvLines lines(source);
  Top top;
  for (std::string_view line; top.lines.size() < kLines && lines.next(line);) {
    if (trimmed_cell(line).empty()) continue;
    const char said = top.lines.empty() && top.said == 0 ? separator_said(line) : '\0';
    if (said != 0)
      top.said = said;
    else
      top.lines.emplace_back(line);
  }
  return top;
}

std::size_t known_in(const std::string& header, char separator) {
  std::size_t known = 0;
  std::istringstream cells(header);
  for (std::string cell; std::getline(cells, cell, separator);)
    known += column_of_header(std::string(trimmed_cell(cell))) ? 1 : 0;
  return known;
}

// The separator by which the rows have as many cells as the header; of equals the one that makes
// more names that are known, then more cells.
char separator_of(const Top& top) {
  if (top.said != 0) return top.said;
  char best = kNoSeparator;
  std::tuple<double, std::size_t, std::size_t> score{0, 0, 0};
  for (const char separator : kSeparators) {
    const std::size_t cells = cells_in(top.lines.front(), separator);
    if (cells < 2) continue;
    double same = 0;
    for (const std::string& line : top.lines) same += cells_in(line, separator) == cells ? 1 : 0;
    const std::tuple found(same, known_in(top.lines.front(), separator), cells);
    if (found > score) {
      score = found;
      best = separator;
    }
  }
  return best;
}

// Seconds of "19:03:11", "19:03:11.25", "03:11,2", with or without a date before it or AM/PM
// behind; empty for anything else. Only differences of such times are used.
std::optional<double> clock_seconds(std::string_view cell) {
  std::string text(trimmed_cell(cell));
  double add = 0;
  for (const auto& [mark, half] : {std::pair{"AM", 0.0}, std::pair{"PM", 43200.0},
                                   std::pair{"am", 0.0}, std::pair{"pm", 43200.0}})
    if (text.size() > 2 && text.ends_with(mark)) {
      text = std::string(trimmed_cell(text.substr(0, text.size() - 2)));
      add = half;
      if (text.starts_with("12:")) text.replace(0, 2, "0");
    }
  if (!text.empty() && text.back() == 'Z') text.pop_back();
  const std::size_t date = text.find_last_of(" T");
  if (date != std::string::npos) text.erase(0, date + 1);
  std::replace(text.begin(), text.end(), ',', '.');
  std::vector<double> parts;
  for (std::size_t at = 0;;) {
    const std::size_t colon = text.find(':', at);
    const std::string part = text.substr(at, colon - at);
    const bool last = colon == std::string::npos;
    const std::size_t whole = part.find('.');
    if (part.empty() || part.find_first_not_of("0123456789.") != std::string::npos ||
        (whole != std::string::npos && (!last || part.find('.', whole + 1) != std::string::npos)) ||
        part == ".")
      return std::nullopt;
    parts.push_back(std::strtod(part.c_str(), nullptr));
    if (last) break;
    at = colon + 1;
  }
  if (parts.size() < 2 || parts.size() > 3) return std::nullopt;
  double seconds = 0;
  for (std::size_t i = 0; i < parts.size(); ++i) {
    if (i > 0 && parts[i] >= 60) return std::nullopt;
    seconds = 60 * seconds + parts[i];
  }
  return seconds + add;
}

class ForeignReader : public CsvReader {
 public:
  ForeignReader(const CsvSource& source, const CsvOptions& options)
      : source_(source), path_(source_.name) {
    const Top top = top_of(source_);
    if (top.lines.empty())
      throw Error(
          Fault::kInput,
          fmt::format("{}, line 1: the file is empty; it needs a header row with time_s and "
                      "the channels, then the readings.",
                      path_));
    separator_ = separator_of(top);
    CsvLines lines(source_);
    read_header(lines, options);
    marks_ = NumberMarks(options.decimal ? *options.decimal : judged_decimal(lines));
  }

  bool steady() const override { return time_ == kNone; }

  void each_block(const TakeReadings& take, const TellBytes& progress) override {
    CsvLines lines(source_);
    read_in_blocks(
        lines, path_, take, progress, [&](std::string_view line, ImportedReading& reading) {
          return lines.number() > header_line_ && parse(line, {path_, lines.number()}, reading);
        });
  }

 private:
  static constexpr std::size_t kNone = static_cast<std::size_t>(-1);

  void read_header(CsvLines& lines, const CsvOptions& options) {
    std::string_view line;
    while (lines.next(line))
      if (!trimmed_cell(line).empty() && separator_said(line) == 0) break;
    const CsvPlace place{path_, lines.number()};
    header_line_ = lines.number();
    if (line.starts_with("SQLite format 3"))
      place.refuse("this is a book, not a CSV file; 'loadline-db merge' brings its runs in.");
    header_ = split_cells(as_utf8(line), separator_, place);
    const ColumnNames given(options.columns);
    if (const std::string unused = given.unused(header_); !unused.empty())
      place.refuse(fmt::format("--columns names '{}', which stands in no cell of the header ({}).",
                               shown_cell(unused), shown_header()));
    for (const std::string& cell : header_) {
      auto named = given.of(cell);
      if (!named) named = cell.empty() ? NamedColumn{} : column_of_header(cell);
      columns_.push_back(named.value_or(NamedColumn{}));
      if (!named) unknown_.push_back(columns_.size() - 1);
    }
    require_known(options, place);
    std::vector<const ReadingColumn*> used;
    for (std::size_t i = 0; i < columns_.size(); ++i) {
      if (!columns_[i].column) continue;
      used.push_back(columns_[i].column);
      if (columns_[i].column->member == &ImportedReading::time_s) time_ = i;
    }
    require_useful_columns(used, place);
  }

  std::string shown_header() const {
    std::string out;
    for (std::size_t i = 0; i < std::min<std::size_t>(header_.size(), 8); ++i)
      out += (i > 0 ? ", '" : "'") + shown_cell(header_[i]) + "'";
    return header_.size() > 8 ? out + " …" : out;
  }

  void require_known(const CsvOptions& options, const CsvPlace& place) const {
    if (unknown_.empty()) return;
    constexpr std::size_t kMostNamed = 8;
    std::string names;
    for (std::size_t i = 0; i < std::min(unknown_.size(), kMostNamed); ++i)
      names += fmt::format("{}'{}' (column {})", i > 0 ? ", " : "",
                           shown_cell(header_[unknown_[i]]), unknown_[i] + 1);
    if (unknown_.size() > kMostNamed)
      names += fmt::format(" and {} more", unknown_.size() - kMostNamed);
    std::string proposal;
    if (header_.size() <= 50 && options.columns.empty())
      proposal = proposed_columns(header_, options.speed_column);
    place.refuse(fmt::format(
        "the header has columns that are not known: {}. Known are {}.{}", names, list_of_columns(),
        proposal.empty() ? " Name them with --columns 'NAME=COLUMN:UNIT', or leave one out "
                           "with 'NAME=-'."
                         : " If this is what they are, repeat with --columns " + proposal));
  }

  // The decimal mark that all numbers of the file together show.
  char judged_decimal(CsvLines& lines) const {
    MarkEvidence evidence;
    for (std::string_view line; lines.next(line);) {
      if (trimmed_cell(line).empty()) continue;
      bool more = true;
      for (std::size_t i = 0; more && i < columns_.size(); ++i) {
        const std::string cell = take_cell(line, more, separator_, {path_, lines.number()});
        const bool clock = i == time_ && cell.find(':') != std::string::npos;
        if (columns_[i].column && !clock) evidence.look_at(cell, lines.number());
      }
    }
    if (const char decimal = evidence.decimal()) return decimal;
    if (separator_ == ',' && !evidence.contradicts()) return '.';
    throw Error(
        Fault::kInput,
        fmt::format("{}, line {}: {}; say which mark is the decimal one: --decimal point or "
                    "--decimal comma.",
                    path_, header_line_, evidence.doubt()));
  }

  bool parse(std::string_view line, const CsvPlace& place, ImportedReading& reading) {
    const std::string_view whole = line;
    bool more = true;
    std::size_t column = 0;
    for (; more; ++column) {
      const std::string cell = take_cell(line, more, separator_, place);
      if (column >= columns_.size() && !cell.empty()) refuse_width(whole, place);
      if (column >= columns_.size() || cell.empty()) continue;
      if (!columns_[column].column) {
        if (header_[column].empty())
          place.refuse(column, "",
                       fmt::format("'{}' stands under no name; name the column in the "
                                   "header.",
                                   shown_cell(cell)));
        continue;
      }
      reading.*columns_[column].column->member = value(cell, column, place);
    }
    if (column < columns_.size()) refuse_width(whole, place);
    if (!steady()) return take_time(reading, place);
    std::vector<const ReadingColumn*> used;
    for (const NamedColumn& named : columns_)
      if (named.column) used.push_back(named.column);
    return points_.take(reading, used, place);
  }

  double value(const std::string& cell, std::size_t column, const CsvPlace& place) {
    const NamedColumn& named = columns_[column];
    if (column == time_ && cell.find(':') != std::string::npos) {
      const auto seconds = clock_seconds(cell);
      if (!seconds)
        place.refuse(
            column, header_[column],
            fmt::format("'{}' is no time of day; write it as 19:03:11.25.", shown_cell(cell)));
      return since_first(*seconds);
    }
    const auto number = marks_.number(cell);
    if (!number) refuse_text(cell, column, place);
    const double converted = *number * named.factor + named.offset;
    if (!std::isfinite(converted) || std::fabs(converted) > kLargestValue)
      place.refuse(
          column, header_[column],
          fmt::format("'{}' is not a finite number of a bench; correct the cell or leave it "
                      "empty.",
                      shown_cell(cell)));
    return converted + 0.0;
  }

  [[noreturn]] void refuse_text(const std::string& cell, std::size_t column,
                                const CsvPlace& place) const {
    const bool mark = cell.find_first_of(".,") != std::string::npos &&
                      cell.find_first_not_of("+-0123456789., ") == std::string::npos;
    place.refuse(
        column, header_[column],
        fmt::format("'{}' is not a number{}; correct the cell or leave it empty.", shown_cell(cell),
                    mark ? fmt::format(" where '{}' is the decimal mark", marks_.decimal()) : ""));
  }

  // A clock begins anew at midnight.
  double since_first(double seconds) {
    if (!first_clock_s_) first_clock_s_ = seconds;
    double since = seconds - *first_clock_s_ + days_ * kDayS;
    if (since < last_clock_s_ - kDayS / 2) {
      days_ += 1;
      since += kDayS;
    }
    last_clock_s_ = since;
    return since;
  }

  bool take_time(const ImportedReading& reading, const CsvPlace& place) {
    const double time_s = reading.time_s;
    if (std::isnan(time_s)) {
      const bool empty = std::none_of(columns_.begin(), columns_.end(), [&](const NamedColumn& c) {
        return c.column && !std::isnan(reading.*c.column->member);
      });
      if (empty) return false;
      place.refuse(time_, header_[time_], "the time is missing; every reading needs one.");
    }
    if (time_s < last_time_s_)
      place.refuse(
          time_, header_[time_],
          fmt::format("{} s comes after {} s; time must not run backwards.", time_s, last_time_s_));
    last_time_s_ = time_s;
    return true;
  }

  [[noreturn]] void refuse_width(std::string_view line, const CsvPlace& place) const {
    const std::size_t cells = split_cells(line, separator_, place).size();
    place.refuse(fmt::format("{} cells, but the header has {}, separated by {}; {}", cells,
                             columns_.size(), separator_word(separator_),
                             cells < columns_.size()
                                 ? "fill the row up with empty ones."
                                 : "a number may have a decimal comma in it, which needs another "
                                   "separator between the cells, or quotes around the number."));
  }

  CsvSource source_;
  const std::string& path_;  ///< as people call it
  char separator_ = ',';
  long header_line_ = 0;
  std::vector<std::string> header_;
  std::vector<NamedColumn> columns_;  ///< beside header_
  std::vector<std::size_t> unknown_;  ///< in header_
  std::size_t time_ = kNone;          ///< in header_
  NumberMarks marks_;
  SteadyRows points_;
  std::optional<double> first_clock_s_;
  double days_ = 0, last_clock_s_ = 0;
  double last_time_s_ = -std::numeric_limits<double>::infinity();
};

}  // namespace

std::unique_ptr<CsvReader> foreign_reader(const CsvSource& source, const CsvOptions& options) {
  return std::make_unique<ForeignReader>(source, options);
}

}  // namespace loadline
