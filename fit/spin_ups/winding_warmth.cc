#include "fit/spin_ups/winding_warmth.h"

#include <algorithm>
#include <cmath>

#include "fit/curves/copper.h"
#include "fit/spin_ups/spin_up_constants.h"

namespace loadline {
namespace {

using namespace spin_up_chosen;

constexpr double kStandstillWarmth = 2 * kCopperPerK;  // per second

double current_squared_per_torque(double saturation) {
  return std::sqrt(1 + saturation * saturation) + saturation;
}

}  // namespace

std::optional<Push> next_push(const RunUp& run, std::size_t i) {
  std::size_t later = i;
  while (later < run.speed.size() &&
         run.speed[later] < run.speed[i] + kGainShare * run.speed.back())
    ++later;
  if (later == run.speed.size()) return std::nullopt;
  const auto middle = [&](std::size_t at) { return (run.start_s[at] + run.end_s[at]) / 2; };
  return Push{run.inertia.mean * (run.speed[later] - run.speed[i]) / (middle(later) - middle(i)),
              later};
}

WindingWarmth::WindingWarmth(const RunUp& run, double torque_scale) : speed_{0}, growth_{0} {
  const double unit = kStandstillWarmth * run.inertia.mean /
                      (torque_scale * current_squared_per_torque(kSaturation));
  std::vector<double> power{0};
  const auto go_on = [&](double speed, double torque) {
    const double heat = unit * current_squared_per_torque(kSaturation * torque / torque_scale);
    growth_.push_back(growth_.back() + heat * (speed - speed_.back()));
    power.push_back(torque * (speed + speed_.back()) / 2);
    speed_.push_back(speed);
  };
  for (auto push = next_push(run, 0); push; push = next_push(run, push->until))
    go_on(run.speed[push->until], push->torque);
  if (run.speed.back() > speed_.back()) go_on(run.speed.back(), 0);
  // Three pushes together, since each scatters.
  double most = 0, there = speed_.back();
  for (std::size_t i = 1; i + 2 < power.size(); ++i) {
    const double together = power[i] + power[i + 1] + power[i + 2];
    if (together <= most) continue;
    most = together;
    there = (speed_[i] + speed_[i + 1]) / 2;
  }
  const double then = at(there).first;
  for (double& growth : growth_) growth -= then;
}

std::pair<double, double> WindingWarmth::at(double speed) const {
  const auto above = std::upper_bound(speed_.begin() + 1, speed_.end() - 1, speed);
  const auto i = static_cast<std::size_t>(above - speed_.begin());
  const double slope = (growth_[i] - growth_[i - 1]) / (speed_[i] - speed_[i - 1]);
  return {growth_[i - 1] + slope * (speed - speed_[i - 1]), slope};
}

}  // namespace loadline
