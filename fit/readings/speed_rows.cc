// What the rows of a tachometer show of the instrument before anything is fitted.
#include <algorithm>
#include <cmath>
#include <numeric>

#include "db/basis/units.h"
#include "fit/readings/speed.h"

namespace loadline {
namespace {

// Rows between new values, where these always come after the same number of rows or a multiple of
// it; 1 where they do not.
std::size_t rows_between(const std::vector<bool>& repeat) {
  std::size_t common = 0, since = 0;
  bool started = false;
  for (std::size_t i = 1; i < repeat.size(); ++i) {
    ++since;
    if (repeat[i]) continue;
    if (started) common = std::gcd(common, since);
    started = true;
    since = 0;
  }
  return std::max<std::size_t>(1, common);
}

bool all_multiples(std::span<const double> values, double step) {
  return std::all_of(values.begin(), values.end(), [&](double value) {
    return std::isnan(value) || std::fabs(value - step * std::round(value / step)) < 0.02 * step;
  });
}

// The step of the values in rpm: that of counts in a gate, of which all are multiples, else that of
// the last decimal that was written.
double digit_of(std::vector<double> rpm) {
  std::sort(rpm.begin(), rpm.end());
  double least = 0;
  for (std::size_t i = 1; i < rpm.size(); ++i) {
    const double step = rpm[i] - rpm[i - 1];
    if (step > 1e-6 * rpm[i] && (least == 0 || step < least)) least = step;
  }
  return least > 0 && all_multiples(rpm, least) ? least : last_decimal(rpm);
}

}  // namespace

double last_decimal(std::span<const double> values) {
  double decimal = 10;
  while (decimal > 1e-6 && !all_multiples(values, decimal)) decimal /= 10;
  return decimal;
}

SpeedRows speed_rows(std::span<const double> time_s, std::span<const double> rpm) {
  SpeedRows rows;
  for (std::size_t i = 0; i < rpm.size(); ++i) {
    if (std::isnan(rpm[i])) continue;
    const double speed = rad_per_s_from_rpm(rpm[i]);
    rows.repeat.push_back(!rows.speed.empty() && rows.speed.back() == speed);
    rows.time_s.push_back(time_s[i]);
    rows.speed.push_back(speed);
  }
  rows.row_s = usual_step(rows.time_s);
  rows.look_s = rows.row_s * static_cast<double>(rows_between(rows.repeat));
  std::vector<double> finite;
  for (const double value : rpm)
    if (!std::isnan(value)) finite.push_back(value);
  rows.digit = rad_per_s_from_rpm(digit_of(std::move(finite)));
  return rows;
}

}  // namespace loadline
