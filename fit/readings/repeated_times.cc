#include "fit/readings/repeated_times.h"

#include <algorithm>
#include <cmath>

namespace loadline {
namespace {

/// Of the values [from, to) that are there; NaN when none is. A nought among values of which the
/// least is at least half of the greatest is one that was lost: in a mean nobody would see it.
double mean_of(const std::vector<double>& values, std::size_t from, std::size_t to) {
  double sum = 0, low = HUGE_VAL, high = -HUGE_VAL;
  int noughts = 0, others = 0;
  for (std::size_t i = from; i < to; ++i) {
    if (std::isnan(values[i])) continue;
    if (values[i] == 0) {
      ++noughts;
      continue;
    }
    ++others;
    sum += values[i];
    low = std::min(low, values[i]);
    high = std::max(high, values[i]);
  }
  const bool alike = others > 0 && (low > 0 ? 2 * low >= high : 2 * high <= low);
  const int counted = others + (alike ? 0 : noughts);
  return counted > 0 ? sum / counted : std::nan("");
}

}  // namespace

std::size_t merge_repeated_times(ReadingColumns& rows) {
  const std::size_t n = rows.time_s.size();
  const auto stands = [](double before, double after) { return !(after > before); };
  if (std::adjacent_find(rows.time_s.begin(), rows.time_s.end(), stands) == rows.time_s.end())
    return 0;
  std::size_t kept = 0;
  std::vector<double>* const columns[] = {&rows.motor_rpm, &rows.handwheel_rpm, &rows.torque_nm,
                                          &rows.supply_v, &rows.temperature_c};
  for (std::size_t from = 0; from < n;) {
    std::size_t to = from + 1;
    while (to < n && !(rows.time_s[to] > rows.time_s[from])) ++to;
    rows.time_s[kept] = rows.time_s[from];
    for (std::vector<double>* column : columns)
      if (column->size() == n) (*column)[kept] = mean_of(*column, from, to);
    ++kept;
    from = to;
  }
  for (std::vector<double>* column : columns)
    if (column->size() == n) column->resize(kept);
  rows.time_s.resize(kept);
  return n - kept;
}

}  // namespace loadline
