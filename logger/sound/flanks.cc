#include "logger/sound/flanks.h"

#include <algorithm>
#include <cmath>
#include <map>

#include "db/basis/median.h"

namespace loadline {
namespace {

constexpr double kShortestFlank_s = 20e-6, kLongestFlank_s = 0.1;  // stretches
constexpr double kSure = 6;  // standard deviations: one false in some 10⁸ places
// A weaker flank this near a stronger one is its shadow: in stretches of its own and of that one.
constexpr double kOwnShadow = 1.1, kCastShadow = 0.5;
constexpr double kLeastNoise = 3e-5;  // of full scale: one step of 16 bits
// Of the highest step: a mark is no better known than that, however quiet the take.
constexpr double kShareOfNoise = 0.01;
constexpr double kNoise_s = 0.7;
constexpr std::size_t kEnough = 4000;  // values know their median to 2 %

struct Scaled {
  Flank flank;
  double stretch = 0;
  double over_noise = 0;  // without the floor that sureness has: which of several stretches is best
};

struct Noise {
  double sd = 0;     // of steps by noise alone
  double floor = 0;  // what a mark can be known to at best
};

Noise noise_of(std::span<const float> steps) {
  if (steps.empty()) return {kLeastNoise, kLeastNoise};
  std::vector<float> sizes;
  const std::size_t stride = std::max<std::size_t>(1, steps.size() / kEnough);
  for (std::size_t i = 0; i < steps.size(); i += stride) sizes.push_back(std::fabs(steps[i]));
  float highest = 0;
  for (const float step : steps) highest = std::max(highest, std::fabs(step));
  const auto middle = sizes.begin() + static_cast<std::ptrdiff_t>(sizes.size() / 2);
  std::nth_element(sizes.begin(), middle, sizes.end());
  const double sd = std::max(kSdOfMedian * *middle, kLeastNoise);
  return {sd, std::max(sd, kShareOfNoise * highest)};
}

// The noise of equal parts of the stretch of about kNoise_s: an automatic gain changes it.
std::vector<Noise> noise_along(const std::vector<float>& steps, double step_s) {
  const double parts_wanted = static_cast<double>(steps.size()) * step_s / kNoise_s;
  const auto parts = static_cast<std::size_t>(std::max(1.0, std::round(parts_wanted)));
  std::vector<Noise> noises;
  for (std::size_t p = 0; p < parts; ++p) {
    const std::size_t from = p * steps.size() / parts, to = (p + 1) * steps.size() / parts;
    noises.push_back(noise_of(std::span(steps).subspan(from, to - from)));
  }
  return noises;
}

// The highest places of |step| over one length of stretch.
void look_over(const RunningSums& sums, std::size_t stretch, double rate,
               std::vector<Scaled>& into) {
  const std::size_t hop = std::max<std::size_t>(1, stretch / 8);
  if (sums.size() < 4 * stretch) return;
  std::vector<float> steps;
  for (std::size_t at = stretch; at + stretch <= sums.size(); at += hop)
    steps.push_back(static_cast<float>(
        (sums.whole(at + stretch) - 2 * sums.whole(at) + sums.whole(at - stretch)) /
        static_cast<double>(stretch)));
  const std::vector<Noise> noises = noise_along(steps, static_cast<double>(hop) / rate);
  const std::size_t reach = std::max<std::size_t>(1, stretch / hop / 2);
  const auto is_highest = [&](std::size_t i) {
    const double size = std::fabs(steps[i]);
    for (std::size_t k = i > reach ? i - reach : 0; k < std::min(i + reach + 1, steps.size()); ++k)
      if (k != i && !(std::fabs(steps[k]) < size || (std::fabs(steps[k]) == size && k > i)))
        return false;
    return true;
  };
  for (std::size_t p = 0; p < noises.size(); ++p) {
    const Noise& noise = noises[p];
    const std::size_t to = (p + 1) * steps.size() / noises.size();
    for (std::size_t i = p * steps.size() / noises.size(); i < to; ++i) {
      const double size = std::fabs(steps[i]);
      if (size < kSure * noise.floor || !is_highest(i)) continue;
      // A sample stands for the stretch about it, so the place between two is half a one back.
      const double at = static_cast<double>(stretch + i * hop) - 0.5;
      into.push_back(
          {{at, steps[i], size / noise.floor}, static_cast<double>(stretch), size / noise.sd});
    }
  }
}

// Whether a flank of the same sign and of more weight lies nearby.
class Accepted {
 public:
  bool taken(const Scaled& one) const {
    const auto reach = std::max(kOwnShadow * one.stretch, kCastShadow * longest_);
    for (auto near = by_place_.lower_bound(one.flank.at - reach);
         near != by_place_.end() && near->first <= one.flank.at + reach; ++near)
      if (std::fabs(near->first - one.flank.at) <
          std::max(kOwnShadow * one.stretch, kCastShadow * near->second.stretch))
        return true;
    return false;
  }
  void add(const Scaled& one) {
    by_place_.emplace(one.flank.at, one);
    longest_ = std::max(longest_, one.stretch);
  }
  const std::multimap<double, Scaled>& all() const { return by_place_; }

 private:
  std::multimap<double, Scaled> by_place_;
  double longest_ = 0;
};

}  // namespace

RunningSums::RunningSums(std::span<const float> x) : sums_(x.size() + 1, 0.0) {
  for (std::size_t i = 0; i < x.size(); ++i) sums_[i + 1] = sums_[i] + x[i];
}

double RunningSums::up_to(double at) const {
  const double place = std::clamp(at + 0.5, 0.0, static_cast<double>(size()));
  const auto whole = std::min(static_cast<std::size_t>(place), size() - 1);
  const double part = place - static_cast<double>(whole);
  return sums_[whole] + part * (sums_[whole + 1] - sums_[whole]);
}

std::vector<Flank> find_flanks(std::span<const float> x, double rate) {
  if (x.empty()) return {};
  const RunningSums sums(x);
  std::vector<Scaled> all;
  auto stretch = static_cast<std::size_t>(std::max(1.0, std::ceil(kShortestFlank_s * rate)));
  for (; static_cast<double>(stretch) <= kLongestFlank_s * rate; stretch *= 2)
    look_over(sums, stretch, rate, all);
  std::sort(all.begin(), all.end(),
            [](const Scaled& a, const Scaled& b) { return a.over_noise > b.over_noise; });
  Accepted up, down;
  for (const Scaled& one : all) {
    Accepted& same = one.flank.step > 0 ? up : down;
    if (!same.taken(one)) same.add(one);
  }
  std::vector<Flank> flanks;
  for (const Accepted* same : {&up, &down})
    for (const auto& [at, one] : same->all()) flanks.push_back(one.flank);
  std::sort(flanks.begin(), flanks.end(),
            [](const Flank& a, const Flank& b) { return a.at < b.at; });
  return flanks;
}

}  // namespace loadline
