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
  const auto go_on = [&](double speed, double torque) {
    const double heat = unit * current_squared_per_torque(kSaturation * torque / torque_scale);
    growth_.push_back(growth_.back() + heat * (speed - speed_.back()));
    speed_.push_back(speed);
  };
  for (auto push = next_push(run, 0); push; push = next_push(run, push->until))
    go_on(run.speed[push->until], push->torque);
  if (run.speed.back() > speed_.back()) go_on(run.speed.back(), 0);
  double sum = 0;
  for (std::size_t i = 1; i < speed_.size(); ++i)
    sum += (growth_[i - 1] + growth_[i]) / 2 * (speed_[i] - speed_[i - 1]);
  const double mean = sum / speed_.back();
  for (double& growth : growth_) growth -= mean;
}

std::pair<double, double> WindingWarmth::at(double speed) const {
  const auto above = std::upper_bound(speed_.begin() + 1, speed_.end() - 1, speed);
  const auto i = static_cast<std::size_t>(above - speed_.begin());
  const double slope = (growth_[i] - growth_[i - 1]) / (speed_[i] - speed_[i - 1]);
  return {growth_[i - 1] + slope * (speed - speed_[i - 1]), slope};
}

}  // namespace loadline
