#include "fit/readings/repeated_times.h"

#include <algorithm>
#include <cmath>

namespace loadline {
namespace {

// Values of one time, none of which is NaN or nothing, that are alike: the least of them is at
// least half of the greatest.
struct Alike {
  double least = 0, greatest = 0;
  void take(double value) {
    least = greatest == 0 ? value : std::min(least, value);
    greatest = greatest == 0 ? value : std::max(greatest, value);
  }
  bool are() const {
    return least * greatest > 0 && std::min(std::fabs(least), std::fabs(greatest)) >=
                                       std::max(std::fabs(least), std::fabs(greatest)) / 2;
  }
};

/// Of the values [from, to) that are there; NaN when none is. A nought among values that are alike
/// is one that was lost: in a mean nobody would see it any more.
double mean_of(const std::vector<double>& values, std::size_t from, std::size_t to) {
  double sum = 0, count = 0, noughts = 0;
  Alike alike;
  for (std::size_t i = from; i < to; ++i) {
    if (std::isnan(values[i])) continue;
    sum += values[i];
    if (values[i] == 0)
      noughts += 1;
    else
      count += 1, alike.take(values[i]);
  }
  if (!alike.are()) count += noughts;
  return count > 0 ? sum / count : std::nan("");
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
