#include "firmware-protocol/simrig/sensors.h"

#include <algorithm>
#include <cmath>

#include "firmware-protocol/simrig/turn.h"

namespace loadline::simrig {
namespace {

constexpr double kFullScale = 8388607.0;  ///< 24 bits, two's complement

}  // namespace

LoadCell::LoadCell(const CellSpec& spec, std::uint64_t seed)
    : spec_(spec),
      period_s_(1.0 / (spec.converter_hz * (1.0 + spec.rate_error))),
      next_s_(period_s_),
      white_(seed, 10),
      walk_(seed, 11),
      slow_(spec.slow_noise_counts, spec.slow_noise_s, period_s_, {seed, 12}) {}

bool LoadCell::due(double step_s, double* after_s) const {
  *after_s = next_s_ - time_s_;
  return *after_s <= step_s;
}

LoadCell::Sums LoadCell::passed(Sums sums, double torque0, double torque1, double step_s) const {
  const double f0 = sums.lagged;
  if (spec_.lag_s > 0.0) {
    const double mean = 0.5 * (force(torque0) + force(torque1));
    sums.lagged -= std::expm1(-step_s / spec_.lag_s) * (mean - sums.lagged);
  } else {
    sums.lagged = force(torque1);
  }
  if (spec_.creep > 0.0) sums.crept += step_s / spec_.creep_s * (sums.lagged - sums.crept);
  const double rise = sums.lagged - f0;
  sums.twice += step_s * (sums.once + step_s * (0.5 * f0 + rise / 6.0));
  sums.once += step_s * (f0 + 0.5 * rise);
  return sums;
}

void LoadCell::pass(double torque0, double torque1, double step_s) {
  sums_ = passed(sums_, torque0, torque1, step_s);
  time_s_ += step_s;
}

double LoadCell::zero(double case_rise_k) {
  const double minutes = next_s_ / 60.0;
  if (spec_.walk_counts > 0.0)
    walked_ += spec_.walk_counts * std::sqrt(period_s_ / 60.0) * walk_.normal();
  return spec_.zero_counts + spec_.drift_counts_per_min * minutes +
         spec_.drift_counts_per_k * case_rise_k + walked_;
}

std::int32_t LoadCell::convert(double torque0, double torque1, double step_s, double after_s,
                               double case_rise_k) {
  const double end = torque0 + (torque1 - torque0) * (step_s > 0.0 ? after_s / step_s : 0.0);
  const Sums there = passed(sums_, torque0, end, after_s);
  const double now = there.twice;
  // Second difference over two periods: a triangle of four periods.
  const double filtered = (now - 2.0 * before_[1] + before_[3]) / (4.0 * period_s_ * period_s_);
  for (int i = 3; i > 0; --i) before_[i] = before_[i - 1];
  before_[0] = now;
  const double f = filtered + spec_.creep * there.crept;
  slow_.advance();
  const double counts = zero(case_rise_k) +
                        spec_.counts_per_n * f * (1.0 + spec_.curvature_per_n * f) + slow_.value() +
                        spec_.noise_counts * white_.normal();
  next_s_ += period_s_;
  return static_cast<std::int32_t>(std::lround(std::clamp(counts, -kFullScale - 1.0, kFullScale)));
}

Tachometer::Tachometer(const TachSpec& spec, std::uint64_t seed, std::uint32_t stream)
    : jitter_s_(spec.jitter_us * 1e-6), dice_(seed, stream) {
  const int pulses = static_cast<int>(spec.pulses);
  const double width = kTwoPi / pulses;
  for (int k = 0; k < pulses; ++k) {
    // At most 0.4 of a slot off its place, so that slots keep their order.
    const double off = std::clamp(spec.uneven * dice_.normal(), -0.4, 0.4);
    slots_.push_back(width * (k + 0.5 + off));
  }
  next_angle_ = slots_[0];
}

void Tachometer::pass(double angle0, double angle1, double speed0, double speed1, double time_s,
                      double step_s) {
  while (angle1 >= next_angle_) {
    const double way = next_angle_ - angle0;
    const double acceleration = (speed1 - speed0) / step_s;
    const double square = speed0 * speed0 + 2.0 * acceleration * way;
    // Constant acceleration within the step; by the chord where that has no answer.
    double after = square > 0.0 ? 2.0 * way / (speed0 + std::sqrt(square)) : -1.0;
    if (!(after >= 0.0 && after <= step_s)) after = step_s * way / (angle1 - angle0);
    double at = time_s + after;
    if (jitter_s_ > 0.0) at += jitter_s_ * dice_.normal();
    last_edge_s_ = std::max(at, last_edge_s_ + 1e-9);
    pending_.push_back(last_edge_s_);
    if (++slot_ == slots_.size()) {
      slot_ = 0;
      ++turn_;
    }
    next_angle_ = kTwoPi * static_cast<double>(turn_) + slots_[slot_];
  }
}

void Tachometer::take_until(double time_s, std::vector<double>& edges) {
  const auto end = std::upper_bound(pending_.begin(), pending_.end(), time_s);
  edges.assign(pending_.begin(), end);
  pending_.erase(pending_.begin(), end);
}

}  // namespace loadline::simrig
