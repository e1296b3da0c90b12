// What the rows of a tachometer show of the instrument before anything is fitted.
#pragma once

#include <cstddef>
#include <span>
#include <vector>

namespace loadline {

/// The rows of a tachometer that hold a speed.
struct SpeedRows {
  std::vector<double> time_s;
  std::vector<double> speed;  ///< rad/s
  std::vector<bool> repeat;   ///< equal to the row before
  /// When the value of each row came up, where a display that is renewed in even steps tells; else
  /// empty.
  std::vector<double> came_s;
  double row_s = 0;  ///< usual time between rows
  /// Usual time between looks of the instrument: that of the rows, or of a display renewed less
  /// often.
  double look_s = 0;
  double digit = 0;  ///< rad/s: of the last decimal, or of one count in a gate
  /// rad/s: of one count, where all values could be counts in a gate as long as rows are apart, of
  /// whole pulses a turn; else 0. And could no rounding make such values?
  double count = 0;
  bool surely_counts = false;
  std::size_t size() const { return speed.size(); }
  double came_at(std::size_t row) const { return came_s.empty() ? time_s[row] : came_s[row]; }
};
/// `rpm` may hold NaN (no value in that row).
SpeedRows speed_rows(std::span<const double> time_s, std::span<const double> rpm);

/// The last decimal that is written of all `values` (NaN: none), 10 at most.
double last_decimal(std::span<const double> values);

}  // namespace loadline
