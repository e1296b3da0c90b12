#include "fit/report/plots/table.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/web.h"

namespace loadline {
namespace {

constexpr std::size_t kShortText = 24;
constexpr std::ptrdiff_t kManyEstimates = 4;  // from here on intervals stand below their values

std::string with_unit(const std::string& heading, const std::string& unit) {
  return unit.empty() ? heading : fmt::format("{} ({})", heading, unit);
}

// Counts and whole sizes stand without decimals.
std::string bare_number(double value) {
  if (!std::isfinite(value)) return "";
  const bool whole = value == std::round(value) && std::fabs(value) < 1e6;
  return whole ? significant(value,
                             value == 0 ? 1 : 1 + static_cast<int>(std::log10(std::fabs(value))))
               : significant(value, 4);
}

std::string cell_html(const Cell& cell, bool words, const Language& language) {
  // Dates and names stay on one line; sentences get room.
  if (cell.kind == Cell::Kind::kText) {
    const std::string text = words ? language.words(cell.text) : cell.text;
    return fmt::format("<td class=\"{}\">{}</td>", text.size() <= kShortText ? "short" : "long",
                       html_escape(text));
  }
  const bool bare = cell.kind == Cell::Kind::kNumber;
  const std::string number = bare ? language.number(bare_number(cell.number))
                                  : estimate_html(cell.estimate, false, language);
  return fmt::format("<td class=\"number\">{}</td>", number);
}

std::string csv_text(std::string text) {
  // A spreadsheet runs cells that start so; the apostrophe makes them text again (OWASP, "CSV
  // Injection").
  if (!text.empty() && std::string_view("=+-@\t\r").find(text[0]) != std::string_view::npos)
    text.insert(0, "'");
  if (text.find_first_of(",\"\n\r") == std::string::npos) return text;
  std::string quoted = "\"";
  for (const char c : text) quoted += c == '"' ? std::string("\"\"") : std::string(1, c);
  return quoted + "\"";
}

std::string csv_number(const std::optional<double>& number) {
  return number && std::isfinite(*number) ? fmt::format("{:.9g}", *number) : "";
}

std::string cell_csv(const Cell& cell, bool estimate) {
  if (cell.kind == Cell::Kind::kText) return csv_text(cell.text) + (estimate ? ",," : "");
  if (cell.kind == Cell::Kind::kNumber) return csv_number(cell.number) + (estimate ? ",," : "");
  const Estimate& value = cell.estimate;
  return fmt::format("{},{},{}", csv_number(value.value), csv_number(value.low),
                     csv_number(value.high));
}

}  // namespace

std::string estimate_html(const Estimate& estimate, bool with_unit, const Language& language) {
  Estimate bare = estimate;
  bare.unit.clear();
  const std::string text = language.number(to_text(bare));
  const std::size_t open = text.find(" (");
  const std::string unit = with_unit && !estimate.unit.empty() && estimate.value
                               ? fmt::format(" <span class=\"unit\">{}</span>",
                                             html_escape(language.words(estimate.unit)))
                               : "";
  if (open == std::string::npos) return html_escape(text) + unit;
  return fmt::format("{}{} <span class=\"interval\">{}</span>", html_escape(text.substr(0, open)),
                     unit, html_escape(text.substr(open + 1)));
}

Table without_empty_columns(Table table) {
  for (std::size_t i = table.columns.size(); i-- > 0;) {
    const bool empty = std::all_of(table.rows.begin(), table.rows.end(), [&](const auto& row) {
      return row[i].kind == Cell::Kind::kText && row[i].text.empty();
    });
    if (!empty || table.rows.empty()) continue;
    table.columns.erase(table.columns.begin() + static_cast<std::ptrdiff_t>(i));
    for (auto& row : table.rows) row.erase(row.begin() + static_cast<std::ptrdiff_t>(i));
  }
  return table;
}

std::string to_html(const Table& table, const Language& language) {
  const std::string caption = html_escape(language.words(table.caption));
  const auto estimates = std::count_if(table.columns.begin(), table.columns.end(),
                                       [](const Column& column) { return column.estimate; });
  std::string out = fmt::format(
      "<div class=\"scroller\" tabindex=\"0\" role=\"region\" aria-label=\"{}\"><table{} "
      "id=\"table-{}\"><caption><span>{} <span class=\"more\">({} →)</span></span></caption><thead>"
      "<tr>",
      caption, estimates >= kManyEstimates ? " class=\"wide\"" : "", table.id, caption,
      html_escape(language.words("goes on to the right")));
  for (const Column& column : table.columns)
    out += fmt::format(
        "<th scope=\"col\">{}</th>",
        html_escape(with_unit(language.words(column.heading), language.words(column.unit))));
  out += "</tr></thead><tbody>";
  for (const auto& row : table.rows) {
    out += "<tr>";
    for (std::size_t i = 0; i < row.size(); ++i)
      out += cell_html(row[i], table.columns[i].words, language);
    out += "</tr>";
  }
  return out + "</tbody></table></div>\n";
}

std::string to_csv(const Table& table) {
  std::string out;
  for (std::size_t i = 0; i < table.columns.size(); ++i) {
    const Column& column = table.columns[i];
    const std::string heading = with_unit(column.heading, column.unit);
    out += (i ? "," : "") + csv_text(heading);
    if (column.estimate)
      out += "," + csv_text(heading + " low") + "," + csv_text(heading + " high");
  }
  out += "\r\n";
  for (const auto& row : table.rows) {
    for (std::size_t i = 0; i < row.size(); ++i)
      out += (i ? "," : "") + cell_csv(row[i], table.columns[i].estimate);
    out += "\r\n";
  }
  return out;
}

}  // namespace loadline
