#include "fit/readings/speeds/bounded_rows.h"

#include <algorithm>
#include <cmath>
#include <map>

#include "fit/readings/noise/reading_constants.h"
#include "fit/readings/speeds/speed.h"
#include "fit/readings/speeds/speed_rows.h"

namespace loadline {
namespace {

using namespace reading_chosen;

constexpr int kMostPulses = 400;
constexpr int kLeastInRow = 4;  // pairs, one after the other, with the same pulses

// The pulses in a turn that two neighbouring rows would have as bounds of one stretch; 0: none.
int pulses_of(std::span<const double> time_s, std::span<const double> rpm, std::size_t i,
              double half) {
  const double a = rpm[i - 1], b = rpm[i];
  if (!(a > 0) || !(b > 0) || !(b < a)) return 0;
  const double grown = 1 / b - 1 / a;
  const double pulses = 60 * grown / (time_s[i] - time_s[i - 1]);
  const double doubt = std::hypot(half / (a * a), half / (b * b)) / grown + kDigitsOfTimes;
  const double nearest = std::round(pulses);
  if (nearest < 1 || nearest > kMostPulses || doubt > kMostDoubt) return 0;
  return std::fabs(pulses - nearest) < doubt * nearest ? static_cast<int>(nearest) : 0;
}

int pulses_in_turn(std::span<const double> time_s, std::span<const double> rpm) {
  std::size_t held = 0, turning = 0;
  for (std::size_t i = 1; i < rpm.size(); ++i) {
    if (!(rpm[i] > 0)) continue;
    ++turning;
    held += rpm[i] == rpm[i - 1] ? 1 : 0;
  }
  if (turning == 0 || static_cast<double>(held) < kLeastHeld * static_cast<double>(turning))
    return 0;
  const double half = std::min(1.0, last_decimal(rpm)) / 2;
  std::map<int, int> votes;
  int in_row = 0, last = 0;
  for (std::size_t i = 1; i < rpm.size(); ++i) {
    const int pulses = pulses_of(time_s, rpm, i, half);
    in_row = pulses != 0 && pulses == last ? in_row + 1 : 1;
    last = pulses;
    if (pulses != 0 && in_row >= kLeastInRow) ++votes[pulses];
  }
  const auto most = std::max_element(
      votes.begin(), votes.end(), [](const auto& a, const auto& b) { return a.second < b.second; });
  return most == votes.end() ? 0 : most->first;
}

}  // namespace

int hold_through_bounds(std::span<const double> time_s, std::vector<double>& rpm) {
  const int pulses = pulses_in_turn(time_s, rpm);
  if (pulses == 0) return 0;
  const double turn = 60.0 / pulses;  // a pulse, in rpm · s
  // From the end: a row whose value is followed by a lower one sooner than a whole pulse can come
  // is a bound, and so is all that falls after the last edge.
  std::size_t next = rpm.size(), last = 0;  // the row of the next value, of the last one
  std::vector<bool> bound(rpm.size(), false);
  for (std::size_t i = rpm.size(); i-- > 1;) {
    if (!(rpm[i] > 0) || rpm[i] == rpm[i - 1]) continue;
    const bool falls = rpm[i] < rpm[i - 1];
    if (next < rpm.size() && falls && rpm[next] < rpm[i] &&
        turn / rpm[next] > (time_s[next] - time_s[i - 1]) * (1 + kDigitsOfTimes))
      bound[i] = true;
    if (last == 0) last = i;
    next = i;
  }
  // The last of all, which falls on from a bound, is one too.
  if (last > 0 && bound[last - 1] && rpm[last] < rpm[last - 1]) bound[last] = true;
  double value = std::nan("");
  for (std::size_t i = 0; i < rpm.size(); ++i) {
    if (std::isnan(rpm[i])) continue;
    if (!bound[i] && i > 0 && rpm[i] == rpm[i - 1] && bound[i - 1]) bound[i] = true;
    if (bound[i] && !std::isnan(value))
      rpm[i] = value;
    else
      value = rpm[i];
  }
  return pulses;
}

}  // namespace loadline
