#include "db/exchange/table_form.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <tuple>

#include "db/exchange/csv_reader.h"
#include "db/sql/text.h"

namespace loadline {
namespace {

constexpr std::array kSeparators = {';', '\t', ',', '|'};
constexpr std::size_t kLinesJudged = 30;

struct Line {
  long number;
  std::string text;  ///< in UTF-8
};

/// Lines at the top of the file from which its form is judged.
struct Top {
  char said = 0;  ///< by a line "sep="
  std::vector<Line> lines;
  int remarks = 0;  ///< above the first of `lines`
};

// "sep=;" as a spreadsheet writes it into the first line; 0 for any other line.
char separator_said(std::string_view line) {
  line = trimmed_cell(line);
  if (line.size() >= 2 && line.front() == '"' && line.back() == '"')
    line = line.substr(1, line.size() - 2);
  if (line.size() != 5 || (line.substr(0, 4) != "sep=" && line.substr(0, 4) != "SEP=")) return 0;
  return std::find(kSeparators.begin(), kSeparators.end(), line[4]) != kSeparators.end() ? line[4]
                                                                                         : 0;
}

// Each run of blanks as one tab.
std::string tabbed(std::string_view line) {
  std::string out;
  for (const char c : trimmed_cell(line)) {
    if (!is_blank(c))
      out += c;
    else if (out.back() != '\t')
      out += '\t';
  }
  return out;
}

void require_text(std::string_view first, const CsvPlace& place) {
  if (first.starts_with("SQLite format 3"))
    place.refuse("this is a book, not a CSV file; 'loadline-db merge' brings its runs in.");
  if (first.starts_with("PK\x03\x04") || first.starts_with("\xD0\xCF\x11\xE0"))
    place.refuse(
        "this is a spreadsheet's own file or an archive, not a table of text; open it, save the "
        "sheet as CSV and import that.");
  if (trimmed_cell(first).starts_with("<"))
    place.refuse("this is a page or a document, not a table of text; save its table as CSV.");
}

// Whether the cells of a remark are names of columns: "# time_s, motor_rpm".
std::string without_mark(std::string_view line) {
  line = trimmed_cell(line);
  while (!line.empty() && (line.front() == '#' || is_blank(line.front()))) line.remove_prefix(1);
  return std::string(line);
}

std::vector<std::string> cells_of(const std::string& line, char separator) {
  std::vector<std::string> cells;
  std::string_view rest = line;
  bool more = true;
  static const std::string kNowhere;
  try {
    while (more) cells.push_back(take_cell(rest, more, separator, {kNowhere, 0}));
  } catch (const Error&) {  // a quote that is not closed: no line that the form is judged by
    return {};
  }
  return cells;
}

std::size_t known_in(const std::vector<std::string>& cells, const ColumnNames& given) {
  return static_cast<std::size_t>(
      std::count_if(cells.begin(), cells.end(), [&](const std::string& cell) {
        return given.names(cell) || column_of_header({cell, ""});
      }));
}

bool is_number_like(const std::string& cell) {
  return cell.find_first_of("0123456789") != std::string::npos &&
         cell.find_first_not_of("0123456789.,:+-eETZ '") == std::string::npos;
}

// Cells that are numbers or times, and none that is a word.
bool has_numbers_alone(const std::vector<std::string>& cells) {
  bool any = false;
  for (const std::string& cell : cells) {
    if (cell.empty()) continue;
    if (!is_number_like(cell)) return false;
    any = true;
  }
  return any;
}

// Cells that are units, and none that is anything else.
bool has_units_alone(const std::vector<std::string>& cells) {
  return std::all_of(cells.begin(), cells.end(),
                     [](const std::string& cell) {
                       return cell.empty() || cell == "-" || is_known_unit(cell);
                     }) &&
         std::any_of(cells.begin(), cells.end(),
                     [](const std::string& cell) { return is_known_unit(cell); });
}

// The first line of words above one of numbers, with as many cells; above a row of units, the one
// before it. 0 where there is none.
std::size_t line_above_numbers(const std::vector<std::vector<std::string>>& rows) {
  for (std::size_t i = 0; i + 1 < rows.size(); ++i) {
    const std::size_t cells = rows[i].size();
    if (cells < 2 || rows[i + 1].size() != cells || has_numbers_alone(rows[i]) ||
        !has_numbers_alone(rows[i + 1]))
      continue;
    return i > 0 && rows[i - 1].size() == cells && has_units_alone(rows[i]) ? i - 1 : i;
  }
  return 0;
}

Top top_of(const CsvSource& source, const ColumnNames& given) {
  CsvLines lines(source);
  Top top;
  for (std::string_view line; top.lines.size() < kLinesJudged && lines.next(line);) {
    if (trimmed_cell(line).empty()) continue;
    if (lines.number() == 1) require_text(line, {source.name, 1});
    const bool first = top.lines.empty() && top.said == 0;
    if (const char said = first ? separator_said(line) : '\0'; said != 0) {
      top.said = said;
      continue;
    }
    if (!is_remark(line)) {
      top.lines.push_back({lines.number(), as_utf8(line)});
      continue;
    }
    std::string names = without_mark(as_utf8(line));
    const auto has_names = [&](char separator) {
      return known_in(cells_of(names, separator), given) > 0;
    };
    if (top.lines.empty() && (std::any_of(kSeparators.begin(), kSeparators.end(), has_names) ||
                              known_in(cells_of(tabbed(names), '\t'), given) > 1))
      top.lines.push_back({lines.number(), std::move(names)});
    else if (top.lines.empty())
      ++top.remarks;
  }
  return top;
}

struct Candidate {
  char separator = kNoSeparator;
  bool by_blanks = false;
  std::size_t header = 0;  ///< in Top::lines
  std::tuple<double, std::size_t, std::size_t> score{0, 0, 0};
};

std::vector<std::string> cells_of(const Line& line, const Candidate& by) {
  return cells_of(by.by_blanks ? tabbed(line.text) : line.text, by.separator);
}

// By which the rows have as many cells as the header; of equals the one that makes more names that
// are known, then more cells.
Candidate judged(const Top& top, Candidate by, const ColumnNames& given) {
  std::vector<std::vector<std::string>> rows;
  rows.reserve(top.lines.size());
  for (const Line& line : top.lines) rows.push_back(cells_of(line, by));
  const auto named = std::find_if(rows.begin(), rows.end(),
                                  [&](const auto& cells) { return known_in(cells, given) > 0; });
  by.header = named != rows.end() ? static_cast<std::size_t>(named - rows.begin())
                                  : line_above_numbers(rows);
  const std::size_t cells = rows[by.header].size();
  const auto same = std::count_if(rows.begin() + static_cast<std::ptrdiff_t>(by.header), rows.end(),
                                  [&](const auto& row) { return row.size() == cells; });
  by.score = {static_cast<double>(same), known_in(rows[by.header], given), cells};
  return by;
}

Candidate best_of(const Top& top, const ColumnNames& given) {
  if (top.said != 0) return judged(top, {top.said}, given);
  Candidate best = judged(top, {kNoSeparator}, given);
  best.score = {0, 0, 0};
  for (const char separator : kSeparators) {
    const Candidate found = judged(top, {separator}, given);
    if (std::get<2>(found.score) > 1 && found.score > best.score) best = found;
  }
  if (std::get<1>(best.score) > 0) return best;
  const Candidate blanks = judged(top, {'\t', true}, given);
  return std::get<1>(blanks.score) > 1 ? blanks : best;
}

}  // namespace

bool is_remark(std::string_view line) { return trimmed_cell(line).starts_with("#"); }

std::string_view laid_out(std::string_view line, const TableForm& form, std::string& kept) {
  if (!form.by_blanks) return line;
  kept = tabbed(line);
  return kept;
}

TableForm table_form(const CsvSource& source, const ColumnNames& given) {
  const Top top = top_of(source, given);
  if (top.lines.empty())
    CsvPlace{source.name, 1}.refuse(
        "the file is empty; it needs a header row with time_s and the channels, then the "
        "readings.");
  const Candidate by = best_of(top, given);
  const Line& header = top.lines[by.header];
  TableForm form;
  form.separator = by.separator;
  form.by_blanks = by.by_blanks;
  form.header_line = form.last_above = header.number;
  form.left_out = top.remarks + static_cast<int>(by.header);
  std::string kept;
  for (std::string& cell :
       split_cells(laid_out(header.text, form, kept), form.separator, {source.name, header.number}))
    form.header.push_back({std::move(cell), ""});
  if (by.header + 1 >= top.lines.size()) return form;
  const Line& below = top.lines[by.header + 1];
  const std::vector<std::string> units = cells_of(below, by);
  if (units.size() > form.header.size() || !has_units_alone(units)) return form;
  form.last_above = below.number;
  for (std::size_t i = 0; i < units.size(); ++i)
    form.header[i].unit = units[i] == "-" ? "" : units[i];
  return form;
}

}  // namespace loadline
