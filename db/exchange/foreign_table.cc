// Tables of other people's programs: read once for what their marks mean, then for their numbers.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/exchange/csv_lines.h"
#include "db/exchange/csv_reader.h"
#include "db/exchange/header_names.h"
#include "db/exchange/number_marks.h"
#include "db/exchange/table_form.h"
#include "db/sql/text.h"

namespace loadline {
namespace {

constexpr double kDayS = 86400;

const char* separator_word(const TableForm& form) {
  if (form.by_blanks) return "blanks";
  switch (form.separator) {
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
      : source_(source),
        path_(source_.name),
        given_(options.columns),
        form_(table_form(source_, given_)) {
    take_header(options);
    CsvLines lines(source_);
    marks_ = NumberMarks(options.decimal ? *options.decimal : judged_decimal(lines));
  }

  bool steady() const override { return time_ == kNone; }

  int lines_left_out() const override { return form_.left_out; }

  void each_block(const TakeReadings& take, const TellBytes& progress) override {
    CsvLines lines(source_);
    std::string kept;
    read_in_blocks(lines, path_, take, progress,
                   [&](std::string_view line, ImportedReading& reading) {
                     return lines.number() > form_.last_above && !is_remark(line) &&
                            parse(laid_out(line, form_, kept), {path_, lines.number()}, reading);
                   });
  }

 private:
  static constexpr std::size_t kNone = static_cast<std::size_t>(-1);

  const std::vector<HeaderCell>& header() const { return form_.header; }

  void take_header(const CsvOptions& options) {
    const CsvPlace place{path_, form_.header_line};
    if (const std::string unused = given_.unused(header()); !unused.empty())
      place.refuse(fmt::format("--columns names '{}', which stands in no cell of the header ({}).",
                               shown_cell(unused), shown_header()));
    for (const HeaderCell& cell : header()) {
      if (!units_agree(cell))
        place.refuse(
            columns_.size(), cell.text,
            fmt::format("the row below says '{}'; correct one of them.", shown_cell(cell.unit)));
      auto named = given_.of(cell);
      if (!named) named = cell.text.empty() ? NamedColumn{} : column_of_header(cell);
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
    for (std::size_t i = 0; i < std::min<std::size_t>(header().size(), 8); ++i)
      out += (i > 0 ? ", '" : "'") + shown_cell(header()[i].text) + "'";
    return header().size() > 8 ? out + " …" : out;
  }

  void require_known(const CsvOptions& options, const CsvPlace& place) const {
    if (unknown_.empty()) return;
    const auto is_number = [](const HeaderCell& cell) {
      return NumberMarks('.').number(cell.text) || NumberMarks(',').number(cell.text);
    };
    if (std::all_of(header().begin(), header().end(), is_number))
      place.refuse(fmt::format(
          "numbers stand where the names of the columns belong; put a line of names above them, "
          "as time_s,motor_rpm,torque_nm. Known are {}.",
          list_of_columns()));
    constexpr std::size_t kMostNamed = 8, kMostProposed = 50;
    std::string names;
    for (std::size_t i = 0; i < std::min(unknown_.size(), kMostNamed); ++i)
      names += fmt::format("{}'{}' (column {})", i > 0 ? ", " : "",
                           shown_cell(header()[unknown_[i]].text), unknown_[i] + 1);
    if (unknown_.size() > kMostNamed)
      names += fmt::format(" and {} more", unknown_.size() - kMostNamed);
    const bool ready = header().size() <= kMostProposed && options.columns.empty();
    place.refuse(fmt::format(
        "the header has columns that are not known: {}. Known are {}.{}", names, list_of_columns(),
        proposed_columns(ready ? header() : std::vector<HeaderCell>(), options.speed_column)));
  }

  // The decimal mark that all numbers of the file together show.
  char judged_decimal(CsvLines& lines) const {
    MarkEvidence evidence;
    std::string kept;
    for (std::string_view line; lines.next(line);) {
      if (trimmed_cell(line).empty() || lines.number() <= form_.last_above || is_remark(line))
        continue;
      line = laid_out(line, form_, kept);
      bool more = true;
      for (std::size_t i = 0; more && i < columns_.size(); ++i) {
        const std::string cell = take_cell(line, more, form_.separator, {path_, lines.number()});
        const bool clock = i == time_ && cell.find(':') != std::string::npos;
        if (columns_[i].column && !clock) evidence.look_at(cell, lines.number());
      }
    }
    if (const char decimal = evidence.decimal()) return decimal;
    if (form_.separator == ',' && !evidence.contradicts()) return '.';
    throw Error(
        Fault::kInput,
        fmt::format("{}, line {}: {}; say which mark is the decimal one: --decimal point or "
                    "--decimal comma.",
                    path_, form_.header_line, evidence.doubt()));
  }

  bool parse(std::string_view line, const CsvPlace& place, ImportedReading& reading) {
    const std::string_view whole = line;
    bool more = true;
    std::size_t column = 0;
    for (; more; ++column) {
      const std::string cell = take_cell(line, more, form_.separator, place);
      if (column >= columns_.size() && !cell.empty()) refuse_width(whole, place);
      if (column >= columns_.size() || cell.empty()) continue;
      if (!columns_[column].column) {
        if (header()[column].text.empty())
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
            column, header()[column].text,
            fmt::format("'{}' is no time of day; write it as 19:03:11.25.", shown_cell(cell)));
      return since_first(*seconds);
    }
    const auto number = marks_.number(cell);
    if (!number && says_no_value(cell)) return std::numeric_limits<double>::quiet_NaN();
    if (!number) refuse_text(cell, column, place);
    const double converted = *number * named.factor + named.offset;
    if (!std::isfinite(converted) || std::fabs(converted) > kLargestValue)
      place.refuse(
          column, header()[column].text,
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
        column, header()[column].text,
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
      place.refuse(time_, header()[time_].text, "the time is missing; every reading needs one.");
    }
    if (time_s < last_time_s_)
      place.refuse(
          time_, header()[time_].text,
          fmt::format("{} s comes after {} s; time must not run backwards.", time_s, last_time_s_));
    last_time_s_ = time_s;
    return true;
  }

  [[noreturn]] void refuse_width(std::string_view line, const CsvPlace& place) const {
    const std::size_t cells = split_cells(line, form_.separator, place).size();
    place.refuse(fmt::format("{} cells, but the header has {}, separated by {}; {}", cells,
                             columns_.size(), separator_word(form_),
                             cells < columns_.size()
                                 ? "fill the row up with empty ones."
                                 : "a number may have a decimal comma in it, which needs another "
                                   "separator between the cells, or quotes around the number."));
  }

  CsvSource source_;
  const std::string& path_;  ///< as people call it
  ColumnNames given_;
  TableForm form_;
  std::vector<NamedColumn> columns_;  ///< beside the header's
  std::vector<std::size_t> unknown_;  ///< of them
  std::size_t time_ = kNone;          ///< of them
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
