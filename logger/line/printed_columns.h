// What the columns are that a rig prints: from "t_ms,motor_rpm,grams" to quantities in the units
// of the book.
#pragma once

#include <optional>
#include <string>
#include <vector>

namespace loadline {

/// One printed column. The value that is used is offset + factor × what was printed, in the unit of
/// the quantity: seconds, rpm, N·m, N, V, °C.
struct PrintedColumn {
  enum class Quantity {
    kSkipped,
    kTime,
    kMotorSpeed,
    kHandwheelSpeed,
    kTorque,
    kForce,  ///< becomes torque through the rig's arm
    kSupply,
    kTemperature,
  };
  Quantity quantity = Quantity::kSkipped;
  double factor = 1;
  double offset = 0;
  std::string name;  ///< as it was described, for messages
};

struct PrintedLine {
  std::vector<PrintedColumn> columns;
  char separator = ',';  ///< ' ' stands for any run of blanks and tabs

  bool has(PrintedColumn::Quantity quantity) const;
};

/// Reads a description: names separated by commas, each of t_s t_ms t_us, motor_rpm motor_hz,
/// handwheel_rpm handwheel_hz, torque_nm torque_mnm torque_ncm, newtons grams kilograms, supply_v
/// supply_mv, temperature_c, or - for a column that is not used; a factor may follow, as in
/// "grams*0.98". `separator` is "comma", "semicolon", "tab" or "space" (the book's words).
/// Error(kInput) names the column that is not understood or given twice, and a missing time.
PrintedLine read_description(const std::string& description, const std::string& separator);

/// The names that a description may use, for help and messages.
std::string known_columns();

/// The printed numbers of one line (without its end), or empty when the line is not exactly as
/// described: another number of columns, a word, a number that is not finite.
std::optional<std::vector<double>> read_line(const PrintedLine& line, const std::string& text);

}  // namespace loadline
