#include "fit/readings/speeds/speed_rows.h"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <optional>

#include "db/basis/units.h"
#include "fit/readings/noise/reading_constants.h"
#include "fit/readings/noise/usual_step.h"

namespace loadline {
namespace {

using namespace reading_chosen;

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

// A display that is renewed in even steps of its own, beside those of the rows: `origin` plus a
// whole number of steps lies between the row that shows each new value and the row before it.
struct Renewal {
  double step_s = 0, origin_s = 0;
};

constexpr std::size_t kLeastRenewals = 12;
constexpr std::size_t kMostTried = 20000;

// What is left of the row in which the first renewal lies when all are `step` apart; negative where
// no phase suits all.
double phases_left(std::span<const double> from, std::span<const double> to, double step,
                   double& middle) {
  double low = from.front(), high = to.front();
  for (std::size_t i = 1; i < from.size() && high > low; ++i) {
    const double passed = step * std::round(((from[i] + to[i]) - (low + high)) / 2 / step);
    low = std::max(low, from[i] - passed);
    high = std::min(high, to[i] - passed);
  }
  middle = (low + high) / 2;
  return high - low;
}

std::optional<Renewal> renewal(const SpeedRows& rows) {
  std::vector<double> from, to;
  double quickest = 1e300;
  for (std::size_t i = 1; i < rows.size(); ++i) {
    if (rows.repeat[i]) continue;
    if (!to.empty()) quickest = std::min(quickest, rows.time_s[i] - to.back());
    from.push_back(rows.time_s[i - 1]);
    to.push_back(rows.time_s[i]);
  }
  if (to.size() < kLeastRenewals) return std::nullopt;
  const double length = to.back() - to.front();
  const double least = std::max(kQuickestRenewal * rows.row_s, quickest - rows.row_s);
  const double most = quickest + rows.row_s;
  Renewal best;
  double widest = 0;
  std::size_t tried = 0;
  for (double step = least; step < most && tried < kMostTried; ++tried) {
    double middle = 0;
    const double left = phases_left(from, to, step, middle);
    // A half or a third of the steps would suit as well: the longest that does.
    if (left > widest || (left > 0 && step > kOtherStep * best.step_s)) {
      widest = left;
      best = {step, middle};
    }
    step += kFineness * rows.row_s * step / length;
  }
  return widest > 0 ? std::optional(best) : std::nullopt;
}

constexpr std::size_t kLeastCounts = 8;  // different ones
constexpr int kMostInGate = 2000;
constexpr double kSameStep = 3e-4, kOffCount = 0.05;

bool all_multiples(std::span<const double> values, double step) {
  return std::all_of(values.begin(), values.end(), [&](double value) {
    return std::isnan(value) || std::fabs(value - step * std::round(value / step)) < 0.02 * step;
  });
}

// The step of the values in rpm, each once and in order: that of counts in a gate, of which all are
// multiples, else that of the last decimal that was written.
double digit_of(const std::vector<double>& rpm) {
  double least = 0;
  for (std::size_t i = 1; i < rpm.size(); ++i) {
    const double step = rpm[i] - rpm[i - 1];
    if (step > 1e-6 * rpm[i] && (least == 0 || step < least)) least = step;
  }
  return least > 0 && all_multiples(rpm, least) ? least : last_decimal(rpm);
}

// Nobody rounds to other steps than 1, 2, 2.5 or 5 times a power of ten.
bool is_usual_digit(double step) {
  const double power = std::pow(10, std::floor(std::log10(step * (1 + kSameStep))));
  for (const double usual : {1.0, 2.0, 2.5, 5.0})
    if (std::fabs(step / power - usual) < kSameStep * usual) return true;
  return false;
}

// All values as whole counts, `step` each or nearly so: how long a gate was is known by the rows.
bool are_counts(const std::vector<double>& sorted, double& step) {
  const double least = step * (1 - kSameStep), most = step * (1 + kSameStep);
  double sum = 0, counts = 0;
  for (const double value : sorted) {
    const double count = std::round(value / step);
    if (std::fabs(value - count * step) > kOffCount * step) return false;
    sum += value;
    counts += count;
    if (counts > 0) step = std::clamp(sum / counts, least, most);
  }
  return true;
}

// One count in a gate of `gate_s`, rpm, where all such values are multiples of a step that whole
// pulses a turn make; 0 where they are not.
double count_of(const std::vector<double>& rpm, double gate_s) {
  if (rpm.size() < kLeastCounts || !(rpm.front() >= 0)) return 0;
  const double decimal = last_decimal(rpm);
  for (int pulses = 1; pulses <= kMostInGate; ++pulses) {
    double step = 60 / (pulses * gate_s);
    if (step < (1 - kSameStep) * decimal) break;
    if (are_counts(rpm, step)) return step;
  }
  return 0;
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
  if (const auto found = rows.look_s > rows.row_s ? std::nullopt : renewal(rows)) {
    rows.look_s = found->step_s;
    for (const double at : rows.time_s)
      rows.came_s.push_back(found->origin_s +
                            found->step_s * std::floor((at - found->origin_s) / found->step_s));
  }
  std::vector<double> different;
  for (const double value : rpm)
    if (!std::isnan(value)) different.push_back(value);
  std::sort(different.begin(), different.end());
  different.erase(std::unique(different.begin(), different.end()), different.end());
  if (rows.look_s < 1.5 * rows.row_s) {
    const double count = count_of(different, rows.row_s);
    rows.count = rad_per_s_from_rpm(count);
    rows.surely_counts = count > 0 && !is_usual_digit(count);
  }
  rows.digit = rad_per_s_from_rpm(digit_of(different));
  return rows;
}

}  // namespace loadline
