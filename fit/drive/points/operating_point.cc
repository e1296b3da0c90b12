#include "fit/drive/points/operating_point.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "fit/drive/load_lines/root.h"

namespace loadline {
namespace {

constexpr int kGrid = 64;
constexpr double kBeyondRange = 1.25;  // first search
constexpr double kFarthest = 8;        // while the motor still pulls
constexpr double kStride = 1.2;

// Motor speeds that the search may use.
struct Interval {
  double low, high, farthest;
};

Interval search_interval(const DriveCurve& motor, const DriveCurve& machine, const LoadLine& line) {
  const double per_handwheel = line.ratio.value / (1 - line.slip.value);
  const double machine_high = machine.high() * per_handwheel;
  Interval interval{0, kBeyondRange * std::max(motor.high(), machine_high), 0};
  interval.farthest = kFarthest * std::max(motor.high(), machine_high);
  const auto keep_within = [&](double low, double high) {
    interval.low = std::max(interval.low, low);
    interval.high = std::min(interval.high, high);
    interval.farthest = std::min(interval.farthest, high);
  };
  if (!motor.extrapolates()) keep_within(motor.low(), motor.high());
  if (!machine.extrapolates()) keep_within(machine.low() * per_handwheel, machine_high);
  return interval;
}

// Dense at low speed, where a Stribeck rise is narrow; 3 % apart at the top.
std::array<double, kGrid + 1> rising_grid(double low, double high) {
  std::array<double, kGrid + 1> grid;
  for (int k = 0; k <= kGrid; ++k) {
    const double part = static_cast<double>(k) / kGrid;
    grid[static_cast<std::size_t>(k)] = low + (high - low) * part * part;
  }
  return grid;
}

const Crossing* first_stable(const std::vector<Crossing>& crossings) {
  const auto found = std::find_if(crossings.begin(), crossings.end(),
                                  [](const Crossing& crossing) { return crossing.stable; });
  return found == crossings.end() ? nullptr : &*found;
}

}  // namespace

OperatingSearch find_operating_point(const DriveCurve& motor, const DriveCurve& machine,
                                     const LoadLine& line) {
  const auto spare = [&](double speed) { return spare_torque(motor, machine, line, speed); };
  const Interval interval = search_interval(motor, machine, line);
  OperatingSearch search;
  search.searched_low = interval.low;
  search.searched_high = interval.high;
  if (!(interval.low < interval.high)) return search;

  const auto add = [&](double speed) {
    search.crossings.push_back({speed, spare_torque_slope(motor, machine, line, speed) < 0});
  };
  for (const double speed : all_roots(spare, rising_grid(interval.low, interval.high))) add(speed);
  double last = interval.high, last_spare = spare(last);
  while (!first_stable(search.crossings) && last_spare > 0 && last < interval.farthest) {
    const double next = std::min(last * kStride, interval.farthest);
    const double next_spare = spare(next);
    if (!std::isfinite(next_spare)) break;
    if (next_spare <= 0) add(bracketed_root(spare, last, next));
    last = next;
    last_spare = next_spare;
    search.searched_high = next;
  }

  const Crossing* reached = first_stable(search.crossings);
  if (reached) {
    search.motor_speed = reached->motor_speed;
    search.settling = spare(interval.low) > 0 ? Settling::kRuns : Settling::kNeedsPush;
  } else {
    search.settling = last_spare > 0 ? Settling::kStillPulling : Settling::kTooWeak;
  }
  return search;
}

Propagated operating_speed(const DriveCurve& motor, const DriveCurve& machine, const LoadLine& line,
                           double motor_speed) {
  return implicit_root(motor_speed, spare_torque(motor, machine, line, Propagated(motor_speed)),
                       spare_torque_slope(motor, machine, line, motor_speed));
}

}  // namespace loadline
