#include "logger/line/printed_columns.h"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <string_view>

#include "db/basis/error.h"

namespace loadline {
namespace {

using Quantity = PrintedColumn::Quantity;

struct KnownColumn {
  const char* name;
  Quantity quantity;
  double factor;
};

constexpr KnownColumn kKnown[] = {
    {"t_s", Quantity::kTime, 1},
    {"t_ms", Quantity::kTime, 1e-3},
    {"t_us", Quantity::kTime, 1e-6},
    {"motor_rpm", Quantity::kMotorSpeed, 1},
    {"motor_hz", Quantity::kMotorSpeed, 60},
    {"handwheel_rpm", Quantity::kHandwheelSpeed, 1},
    {"handwheel_hz", Quantity::kHandwheelSpeed, 60},
    {"torque_nm", Quantity::kTorque, 1},
    {"torque_mnm", Quantity::kTorque, 1e-3},
    {"torque_ncm", Quantity::kTorque, 1e-2},
    {"newtons", Quantity::kForce, 1},
    {"grams", Quantity::kForce, 9.80665e-3},  // standard gravity; local g enters by the factor
    {"kilograms", Quantity::kForce, 9.80665},
    {"supply_v", Quantity::kSupply, 1},
    {"supply_mv", Quantity::kSupply, 1e-3},
    {"temperature_c", Quantity::kTemperature, 1},
    {"-", Quantity::kSkipped, 1},
};

std::string_view trimmed(std::string_view text) {
  const auto first = text.find_first_not_of(" \t\r");
  if (first == std::string_view::npos) return {};
  return text.substr(first, text.find_last_not_of(" \t\r") - first + 1);
}

/// Cuts at the separator; for blanks, runs of them count once and those at the ends not at all.
std::vector<std::string_view> cut(std::string_view text, char separator) {
  std::vector<std::string_view> parts;
  if (separator != ' ') {
    for (std::size_t from = 0;;) {
      const auto to = text.find(separator, from);
      parts.push_back(trimmed(text.substr(from, to - from)));
      if (to == std::string_view::npos) return parts;
      from = to + 1;
    }
  }
  for (text = trimmed(text); !text.empty(); text = trimmed(text)) {
    const auto end = std::min(text.find_first_of(" \t"), text.size());
    parts.push_back(text.substr(0, end));
    text.remove_prefix(end);
  }
  return parts;
}

std::optional<double> number(std::string_view text) {
  if (!text.empty() && text.front() == '+') text.remove_prefix(1);
  double value = 0;
  const auto [end, error] = std::from_chars(text.data(), text.data() + text.size(), value);
  if (error != std::errc() || end != text.data() + text.size() || !std::isfinite(value))
    return std::nullopt;
  return value;
}

PrintedColumn read_column(std::string_view text) {
  const auto star = text.find('*');
  const std::string name(trimmed(text.substr(0, star)));
  const auto known = std::find_if(std::begin(kKnown), std::end(kKnown),
                                  [&](const KnownColumn& column) { return name == column.name; });
  if (known == std::end(kKnown))
    throw Error(Fault::kInput, fmt::format("'{}' is no column that a rig can print; known are {}.",
                                           name, known_columns()));
  PrintedColumn column{known->quantity, known->factor, 0, name};
  if (star == std::string_view::npos) return column;
  const auto factor = number(trimmed(text.substr(star + 1)));
  if (!factor || *factor == 0)
    throw Error(Fault::kInput, fmt::format("the factor of column '{}' is no number.", text));
  column.factor *= *factor;
  return column;
}

char separator_character(const std::string& name) {
  if (name == "comma") return ',';
  if (name == "semicolon") return ';';
  if (name == "tab") return '\t';
  if (name == "space") return ' ';
  throw Error(Fault::kInput, fmt::format("'{}' is no separator; say comma, semicolon, tab or "
                                         "space.",
                                         name));
}

}  // namespace

bool PrintedLine::has(PrintedColumn::Quantity quantity) const {
  return std::any_of(columns.begin(), columns.end(),
                     [&](const PrintedColumn& column) { return column.quantity == quantity; });
}

std::string known_columns() {
  std::string names;
  for (const KnownColumn& column : kKnown)
    names += (names.empty() ? "" : ", ") + std::string(column.name);
  return names;
}

PrintedLine read_description(const std::string& description, const std::string& separator) {
  PrintedLine line;
  line.separator = separator_character(separator);
  for (const std::string_view text : cut(description, ',')) {
    const PrintedColumn column = read_column(text);
    const bool torque = column.quantity == Quantity::kTorque || column.quantity == Quantity::kForce;
    const bool twice = column.quantity != Quantity::kSkipped && line.has(column.quantity);
    if (twice || (torque && (line.has(Quantity::kTorque) || line.has(Quantity::kForce))))
      throw Error(Fault::kInput, fmt::format("column '{}' gives what another column of the "
                                             "description gives already; skip one with '-'.",
                                             column.name));
    line.columns.push_back(column);
  }
  if (!line.has(Quantity::kTime))
    throw Error(Fault::kInput,
                "the description has no column of time (t_s, t_ms or t_us); let the rig print one, "
                "since the time of arrival is not the time of measurement.");
  return line;
}

std::optional<std::vector<double>> read_line(const PrintedLine& line, const std::string& text) {
  const auto parts = cut(text, line.separator);
  if (parts.size() != line.columns.size()) return std::nullopt;
  std::vector<double> values;
  values.reserve(parts.size());
  for (std::size_t i = 0; i < parts.size(); ++i) {
    const bool skipped = line.columns[i].quantity == Quantity::kSkipped;
    const auto value = skipped ? std::optional<double>(0) : number(parts[i]);
    if (!value) return std::nullopt;
    values.push_back(*value);
  }
  return values;
}

}  // namespace loadline
