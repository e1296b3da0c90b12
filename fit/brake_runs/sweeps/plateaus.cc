#include "fit/brake_runs/sweeps/plateaus.h"

#include <algorithm>
#include <cmath>

#include "db/basis/median.h"
#include "fit/brake_runs/sweeps/brake_constants.h"
#include "fit/readings/noise/noise.h"

namespace loadline {
namespace {

using namespace brake_chosen;

constexpr std::size_t kLeastOnPlateau = 5, kLeastSteps = 4;

struct Plateau {
  std::size_t first = 0, last = 0;  ///< of its values, in the readings
  double speed = 0, torque = 0;
};

// The speed beside each torque value: that of the window that it lies in, or the nearest before.
std::vector<double> speeds_beside(const Readings& readings, const SpeedTrace& trace) {
  std::vector<double> speeds;
  speeds.reserve(readings.time_s.size());
  std::size_t at = 0;
  for (const double t : readings.time_s) {
    while (at + 1 < trace.speed.size() && trace.end_s[at] < t) ++at;
    speeds.push_back(trace.speed[at]);
  }
  return speeds;
}

template <typename Values>
double median_of(const Values& values, std::size_t first, std::size_t last) {
  return median(std::vector<double>(values.begin() + static_cast<std::ptrdiff_t>(first),
                                    values.begin() + static_cast<std::ptrdiff_t>(last) + 1));
}

// Of a stretch at one speed, the values in its middle that have settled about one torque.
void settle(Plateau& plateau, const std::vector<double>& torque, double least) {
  const std::size_t quarter = (plateau.last - plateau.first) / 4;
  const std::size_t from = plateau.first + quarter, to = plateau.last - quarter;
  plateau.torque = median_of(torque, from, to);
  std::vector<double> away;
  away.reserve(to - from + 1);
  for (std::size_t i = from; i <= to; ++i) away.push_back(torque[i] - plateau.torque);
  const double band = kSettled * std::max(robust_sd(away), least);
  const auto is_off = [&](std::size_t i) { return std::fabs(torque[i] - plateau.torque) > band; };
  while (plateau.first < from && is_off(plateau.first)) ++plateau.first;
  while (plateau.last > to && is_off(plateau.last)) --plateau.last;
}

// Within what the speeds of a step lie: more where a brake chatters.
double band_of(const std::vector<double>& speed, double top) {
  return std::clamp(kChatter * scatter_along(speed), kPlateau * top, kStepsApart * top);
}

// Long enough for both instruments, and no piece of a slow sweep, which goes through the band.
bool is_standing(const Readings& readings, const std::vector<double>& speed, std::size_t first,
                 std::size_t last, double band) {
  const std::size_t count = last - first + 1, third = count / 3;
  if (count < kLeastOnPlateau ||
      readings.time_s[last] - readings.time_s[first] < kShortestPlateau_s)
    return false;
  const double before = median_of(speed, first, first + third);
  const double after = median_of(speed, last - third, last);
  return std::fabs(after - before) < kMostTrend * band;
}

// Stretches of values at one speed.
std::vector<Plateau> plateaus_of(const Readings& readings, const std::vector<double>& speed) {
  const double top = *std::max_element(speed.begin(), speed.end());
  const double greatest = *std::max_element(readings.torque.begin(), readings.torque.end());
  const double band = band_of(speed, top);
  std::vector<Plateau> found;
  for (std::size_t first = 0; first < speed.size();) {
    double low = speed[first], high = low;
    std::size_t last = first;
    while (last + 1 < speed.size()) {
      low = std::min(low, speed[last + 1]);
      high = std::max(high, speed[last + 1]);
      if (high - low > band) break;
      ++last;
    }
    if (!is_standing(readings, speed, first, last, band)) {
      first += std::max<std::size_t>(1, (last - first) / 8);
      continue;
    }
    Plateau plateau{first, last};
    settle(plateau, readings.torque, kNoiseFloor * greatest);
    plateau.speed = median_of(speed, plateau.first, plateau.last);
    found.push_back(plateau);
    first = last + 1;
  }
  return found;
}

std::size_t levels_of(std::vector<Plateau> plateaus, double apart) {
  std::sort(plateaus.begin(), plateaus.end(),
            [](const Plateau& a, const Plateau& b) { return a.speed < b.speed; });
  std::size_t levels = plateaus.empty() ? 0 : 1;
  double last = plateaus.empty() ? 0 : plateaus.front().speed;
  for (const Plateau& plateau : plateaus)
    if (plateau.speed > last + apart) {
      ++levels;
      last = plateau.speed;
    }
  return levels;
}

}  // namespace

std::vector<double> steady_speeds(const Readings& readings, const SpeedTrace& trace) {
  const bool slow = std::max(readings.torque_interval_s, trace.interval_s) >= kSlowRows_s;
  if (!slow || readings.torque.size() < kLeastOnPlateau || trace.empty()) return {};
  const std::vector<double> speed = speeds_beside(readings, trace);
  const double apart = kStepsApart * *std::max_element(speed.begin(), speed.end());
  const std::vector<Plateau> plateaus = plateaus_of(readings, speed);
  if (levels_of(plateaus, apart) < kLeastSteps) return {};
  std::vector<double> steady(readings.torque.size(), std::nan(""));
  double count = 0;
  for (const Plateau& plateau : plateaus)
    for (std::size_t i = plateau.first; i <= plateau.last; ++i, ++count) steady[i] = plateau.speed;
  if (count < kLeastSteady * static_cast<double>(steady.size())) return {};
  return steady;
}

}  // namespace loadline
