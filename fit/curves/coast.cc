#include "fit/curves/coast.h"

#include <algorithm>
#include <cmath>

#include "db/basis/units.h"

namespace loadline {
namespace {

constexpr double kPlateau = 0.97;  // of the top speed: above it the shaft may still be driven
// A window that fell by more than this share of a later one's fall ran free for a part of its time.
constexpr double kHoldsRelease = 0.1;
constexpr double kLowestShare = 0.08;
constexpr std::size_t kLeastWindows = 8;

// First window that lies behind the moment at which the shaft was let go. A window that holds this
// moment is a mean of driven and free running, and is left out.
std::size_t release(const std::vector<double>& speed) {
  const double top = *std::max_element(speed.begin(), speed.end());
  std::size_t last = 0;  // still near the top
  for (std::size_t i = 0; i < speed.size(); ++i)
    if (speed[i] >= kPlateau * top) last = i;
  if (last == 0 || last + 3 >= speed.size()) return last;  // begins running free
  const double fell = speed[last - 1] - speed[last], falls = speed[last + 1] - speed[last + 2];
  return fell > kHoldsRelease * falls ? last + 1 : last + 2;
}

void cut_windows(Coast& coast, const SpeedTrace& trace) {
  const std::size_t from = release(trace.speed);
  const double lowest = kLowestShare * trace.speed[from];
  const double longest = std::max(6 * trace.interval_s, 0.15);
  coast.origin_s = trace.start_s[from];
  for (std::size_t i = from; i < trace.speed.size(); ++i) {
    if (trace.speed[i] < lowest || trace.window_s(i) > longest) break;
    coast.start_s.push_back(trace.start_s[i] - coast.origin_s);
    coast.end_s.push_back(trace.end_s[i] - coast.origin_s);
    coast.speed.push_back(trace.speed[i]);
  }
}

void cut_edges(Coast& coast, const EdgeTrace& edges, double from_s, double to_s) {
  const double turn = 2 * kPi / edges.pulses_per_turn;
  const auto pulses = static_cast<long long>(std::lround(edges.pulses_per_turn));
  std::optional<long long> first;
  for (std::size_t i = 0; i < edges.time_s.size(); ++i) {
    if (edges.time_s[i] < from_s || edges.time_s[i] > to_s) continue;
    if (!first) first = edges.count[i];
    coast.time_s.push_back(edges.time_s[i] - from_s);
    coast.angle.push_back(static_cast<double>(edges.count[i] - *first) * turn);
    coast.slot.push_back(static_cast<int>(((edges.count[i] % pulses) + pulses) % pulses));
  }
  // Each slot must be seen several times before its place can be told from noise.
  if (pulses > 1 && coast.angle.size() > static_cast<std::size_t>(8 * pulses) && pulses <= 120)
    coast.slots = static_cast<int>(pulses);
}

}  // namespace

std::optional<Coast> make_coast(const Readings& readings, bool of_motor) {
  const SpeedTrace& trace =
      of_motor || readings.handwheel.empty() ? readings.motor : readings.handwheel;
  const EdgeTrace& edges =
      of_motor || readings.handwheel.empty() ? readings.motor_edges : readings.handwheel_edges;
  if (trace.speed.size() < kLeastWindows) return std::nullopt;
  Coast coast;
  coast.run = readings.run.id;
  coast.added_kgm2 = readings.run.added_inertia_kgm2.value_or(0);
  cut_windows(coast, trace);
  if (coast.speed.size() < kLeastWindows) return std::nullopt;
  coast.speed_high = coast.speed.front();
  coast.speed_low = coast.speed.back();
  coast.length_s = coast.end_s.back();
  coast.windows_exact = trace.from_edges;
  if (!edges.empty() && !edges.recovered) {
    coast.by_edges = true;
    cut_edges(coast, edges, coast.origin_s, coast.origin_s + coast.length_s);
  }
  if (!(coast.speed_low < 0.9 * coast.speed_high)) return std::nullopt;
  coast.weight.assign(coast.size(), 1.0);
  return coast;
}

}  // namespace loadline
