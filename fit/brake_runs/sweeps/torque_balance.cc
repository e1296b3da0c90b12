#include "fit/brake_runs/sweeps/torque_balance.h"

#include <algorithm>
#include <cmath>

#include "fit/brake_runs/sweeps/brake_constants.h"

namespace loadline {
namespace {

using namespace brake_chosen;

constexpr int kSlices = 4 * SweepRow::kParts;  // of a window

double kernel(double x) {
  const double tent = 1 - x * x;
  return tent > 0 ? 35.0 / 32 * tent * tent * tent : 0;
}
double kernel_slope(double x) {
  const double tent = 1 - x * x;
  return tent > 0 ? -105.0 / 16 * x * tent * tent : 0;
}
double kernel_bend(double x) {
  const double tent = 1 - x * x;
  return tent > 0 ? 105.0 / 16 * tent * (5 * x * x - 1) : 0;
}

// The shaft's angle as a cubic between moments at which angle and speed are known.
class Turned {
 public:
  Turned(const SpeedTrace& trace, double turns) {
    if (trace.from_edges && turns == 0)
      by_windows(trace);
    else
      by_middles(trace, turns);
  }
  double begin_s() const { return time_s_.front(); }
  double end_s() const { return time_s_.back(); }
  bool empty() const { return time_s_.size() < 2; }
  /// Mean speed from `from` to `to`; both within the trace.
  double mean(double from, double to) const { return (angle(to) - angle(from)) / (to - from); }
  double longest_gap(double from, double to) const {
    double gap = 0;
    for (std::size_t i = after(from); i < time_s_.size(); ++i) {
      gap = std::max(gap, time_s_[i] - time_s_[i - 1]);
      if (time_s_[i] >= to) break;
    }
    return gap;
  }

 private:
  void by_windows(const SpeedTrace& trace) {
    double angle = 0;
    for (std::size_t i = 0; i < trace.speed.size(); ++i) {
      if (time_s_.empty() || trace.start_s[i] > time_s_.back() + 1e-9) {
        // A pause: the speeds on either side bridge it.
        if (!time_s_.empty())
          angle += (trace.start_s[i] - time_s_.back()) * (trace.speed[i - 1] + trace.speed[i]) / 2;
        add(trace.start_s[i], angle, trace.speed[i]);
      } else {
        speed_.back() = (trace.speed[i - 1] + trace.speed[i]) / 2;
      }
      angle += trace.speed[i] * trace.window_s(i);
      add(trace.end_s[i], angle, trace.speed[i]);
    }
  }
  void by_middles(const SpeedTrace& trace, double turns) {
    for (std::size_t i = 0; i < trace.speed.size(); ++i) {
      const double at = trace.middle_s(i) - turns_s(turns, trace.speed[i]);
      if (time_s_.empty()) {
        add(at, 0, trace.speed[i]);
      } else if (at > time_s_.back() + 1e-9) {
        const double step = at - time_s_.back();
        add(at, angle_.back() + step * (speed_.back() + trace.speed[i]) / 2, trace.speed[i]);
      }
    }
  }
  void add(double time_s, double angle, double speed) {
    time_s_.push_back(time_s);
    angle_.push_back(angle);
    speed_.push_back(speed);
  }
  std::size_t after(double t) const {
    const auto at = std::upper_bound(time_s_.begin() + 1, time_s_.end() - 1, t);
    return static_cast<std::size_t>(at - time_s_.begin());
  }
  double angle(double t) const {
    const std::size_t b = after(t), a = b - 1;
    const double h = time_s_[b] - time_s_[a], u = (t - time_s_[a]) / h, v = 1 - u;
    return angle_[a] * v * v * (1 + 2 * u) + angle_[b] * u * u * (1 + 2 * v) +
           h * u * v * (speed_[a] * v - speed_[b] * u);
  }
  std::vector<double> time_s_, angle_, speed_;
};

// Torques with the stray ones bridged, and how long each bridge is.
struct Bridged {
  std::vector<double> torque;
  std::vector<double> bridge_s;  ///< 0 where the value stands
};

Bridged bridge(const BalanceInput& input) {
  const std::vector<double>& time = input.readings.time_s;
  Bridged out{input.readings.torque, std::vector<double>(time.size(), 0.0)};
  const auto stray = [&](std::size_t i) { return !input.stray.empty() && input.stray[i] != 0; };
  for (std::size_t i = 0; i < time.size(); ++i) {
    if (!stray(i)) continue;
    std::size_t next = i;
    while (next < time.size() && stray(next)) ++next;
    const bool inside = i > 0 && next < time.size();
    for (std::size_t k = i; k < next; ++k) {
      if (inside)
        out.torque[k] = std::lerp(out.torque[i - 1], out.torque[next],
                                  (time[k] - time[i - 1]) / (time[next] - time[i - 1]));
      out.bridge_s[k] = inside ? time[next] - time[i - 1] : 1e9;
    }
    i = next;
  }
  return out;
}

// The torque's side of one window; false where it has gaps or no supply.
bool take_torque(SweepRow& row, const BalanceInput& input, const Bridged& bridged, double middle_s,
                 double half_width_s, double nominal_v) {
  const std::vector<double>& time = input.readings.time_s;
  const std::vector<double>& volts = input.readings.supply_v;
  double sum = 0, weights = 0, volt_sum = 0, volt_weights = 0, bend = 0, bend_weights = 0;
  auto i = static_cast<std::size_t>(
      std::lower_bound(time.begin(), time.end(), middle_s - half_width_s) - time.begin());
  if (i == 0) i = 1;
  double last = middle_s - half_width_s;
  for (; i + 1 < time.size() && time[i] < middle_s + half_width_s; ++i) {
    if (time[i] - last > kLongestGap * half_width_s) return false;
    last = time[i];
    if (bridged.bridge_s[i] > kLongestGap * half_width_s) return false;
    const double x = (time[i] - middle_s) / half_width_s, step = time[i + 1] - time[i - 1];
    const double w = kernel(x) * step, b = kernel_bend(x) * step;
    bend += b * bridged.torque[i];
    bend_weights += b;
    sum += w * bridged.torque[i];
    weights += w;
    if (volts.empty() || std::isnan(volts[i])) continue;
    if (volts[i] < 0.5 * nominal_v) return false;
    volt_sum += w * volts[i];
    volt_weights += w;
  }
  if (middle_s + half_width_s - last > kLongestGap * half_width_s || !(weights > 0)) return false;
  row.torque = sum / weights;
  row.bend = (bend - bend_weights * row.torque) / weights / (half_width_s * half_width_s);
  row.volts = volt_weights > 0 ? volt_sum / volt_weights : nominal_v;
  return true;
}

// The shaft's side.
bool take_motion(SweepRow& row, const Turned& turned, double middle_s, double half_width_s) {
  const double from = middle_s - half_width_s, to = middle_s + half_width_s;
  if (from < turned.begin_s() || to > turned.end_s()) return false;
  if (turned.longest_gap(from, to) > kLongestGap * half_width_s) return false;
  row.speed = row.acceleration = row.jerk = 0;
  row.parts = SweepRow::kParts;
  for (int part = 0; part < SweepRow::kParts; ++part) {
    double share = 0, sum = 0;
    for (int slice = 0; slice < kSlices / SweepRow::kParts; ++slice) {
      const int at = part * kSlices / SweepRow::kParts + slice;
      const double x = -1 + 2.0 * at / kSlices, y = x + 2.0 / kSlices;
      const double speed = turned.mean(middle_s + x * half_width_s, middle_s + y * half_width_s);
      const double k = kernel((x + y) / 2) * (y - x);
      share += k;
      sum += k * speed;
      row.acceleration -= speed * (kernel(y) - kernel(x)) / half_width_s;
      row.jerk += speed * (kernel_slope(y) - kernel_slope(x)) / (half_width_s * half_width_s);
    }
    const auto p = static_cast<std::size_t>(part);
    row.part_share[p] = share;
    row.part_speed[p] = sum / share;
    row.speed += sum;
  }
  double all = 0;
  for (const double share : row.part_share) all += share;
  row.speed /= all;
  for (double& share : row.part_share) share /= all;
  return *std::min_element(row.part_speed.begin(), row.part_speed.end()) > 0;
}

}  // namespace

double balance_half_width(const BalanceInput& input, double lag_s) {
  const Readings& readings = input.readings;
  if (readings.time_s.size() < 3 || input.speed.speed.size() < 3) return 0;
  if (readings.torque_interval_s > kLongestStep || input.speed.interval_s > 2 * kLongestStep)
    return 0;
  const double span = readings.time_s.back() - readings.time_s.front();
  const double step = span / static_cast<double>(readings.time_s.size() - 1);
  const double half =
      std::max({kLeastHalfWidth, kValuesWide * step, kValuesWide * input.speed.interval_s,
                kLagsWide * std::fabs(lag_s), span / kMostRuns});
  return half * kLeastRuns > span ? 0 : half;
}

std::vector<SweepRow> balance_rows(const BalanceInput& input, const BalanceShift& shift,
                                   double half_width_s, double nominal_v) {
  const Turned turned(input.speed, shift.turns);
  std::vector<SweepRow> rows;
  if (turned.empty()) return rows;
  const Bridged bridged = bridge(input);
  const double begin = std::max(turned.begin_s(), input.readings.time_s.front() - shift.lag_s);
  const double end = std::min(turned.end_s(), input.readings.time_s.back() - shift.lag_s);
  const auto steps =
      static_cast<int>(std::floor((end - begin - 2 * half_width_s) / (half_width_s / 2)));
  if (steps < 1) return rows;
  const double step = (end - begin - 2 * half_width_s) / steps;
  for (int i = 0; i <= steps; ++i) {
    const double middle = begin + half_width_s + i * step;
    SweepRow row;
    row.time_s = middle + shift.lag_s;
    if (take_motion(row, turned, middle, half_width_s) &&
        take_torque(row, input, bridged, row.time_s, half_width_s, nominal_v))
      rows.push_back(row);
  }
  return rows;
}

}  // namespace loadline
