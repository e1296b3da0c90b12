// Seeded chance for the simulated bench: the same seed gives the same numbers on every machine.
#pragma once

#include <cmath>
#include <cstdint>
#include <random>

namespace loadline::simrig {

/// One stream of random numbers. Every source of noise has a stream of its own, so that changing
/// one source leaves the others as they were. The engine is std::mt19937_64, which the standard
/// fixes to the bit; the distributions are written out because the standard leaves those open.
class Dice {
 public:
  Dice(std::uint64_t seed, std::uint32_t stream) {
    std::seed_seq start{static_cast<std::uint32_t>(seed), static_cast<std::uint32_t>(seed >> 32),
                        stream};
    engine_.seed(start);
  }

  std::uint64_t bits() { return engine_(); }

  /// Uniform in [0, 1).
  double uniform() { return static_cast<double>(engine_() >> 11) * 0x1.0p-53; }

  /// Standard normal, by the polar method (Marsaglia and Bray 1964).
  double normal() {
    if (has_spare_) {
      has_spare_ = false;
      return spare_;
    }
    double x, y, r2;
    do {
      x = 2.0 * uniform() - 1.0;
      y = 2.0 * uniform() - 1.0;
      r2 = x * x + y * y;
    } while (r2 >= 1.0 || r2 == 0.0);
    const double scale = std::sqrt(-2.0 * std::log(r2) / r2);
    spare_ = y * scale;
    has_spare_ = true;
    return x * scale;
  }

  /// Waiting time of a Poisson process with the given mean.
  double exponential(double mean) { return -mean * std::log(1.0 - uniform()); }

 private:
  std::mt19937_64 engine_;
  double spare_ = 0.0;
  bool has_spare_ = false;
};

/// Noise that remembers: first-order autoregression with standard deviation `sd` and correlation
/// time `tau_s`, sampled every `step_s`. Starts in its stationary state.
class Wander {
 public:
  Wander(double sd, double tau_s, double step_s, Dice dice)
      : sd_(sd), dice_(dice), keep_(tau_s > 0.0 ? std::exp(-step_s / tau_s) : 0.0) {
    value_ = sd_ > 0.0 ? sd_ * dice_.normal() : 0.0;
  }
  double value() const { return value_; }
  void advance() {
    if (sd_ > 0.0) value_ = keep_ * value_ + sd_ * std::sqrt(1.0 - keep_ * keep_) * dice_.normal();
  }

 private:
  double sd_;
  Dice dice_;
  double keep_;
  double value_ = 0.0;
};

}  // namespace loadline::simrig
