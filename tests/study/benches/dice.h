// Random numbers that are the same on every machine: the engine's output is fixed by the language
// standard, and the distributions are our own, because the standard leaves those to the library.
#pragma once

#include <cstdint>
#include <initializer_list>
#include <random>
#include <vector>

namespace benches {

class Dice {
 public:
  explicit Dice(std::uint64_t seed);

  double uniform();                            // in [0, 1)
  double uniform(double from, double to);      // in [from, to)
  double log_uniform(double from, double to);  // equally likely in each octave; from > 0
  double normal(double sd);                    // mean 0
  bool chance(double probability);
  int below(int n);  // 0 to n - 1

  template <typename T>
  T of(std::initializer_list<T> choices) {
    return choices.begin()[below(static_cast<int>(choices.size()))];
  }

 private:
  std::mt19937_64 engine_;
};

// Noise that remembers: a first-order autoregressive process on a grid of a quarter of its memory,
// joined by a smooth curve so that an integrator sees no kinks. Mean 0.
class SlowNoise {
 public:
  SlowNoise() = default;  // always 0
  // sd: standard deviation; memory: correlation time, s; values exist from `from` to `to`, s.
  SlowNoise(Dice& dice, double sd, double memory, double from, double to);
  double at(double t) const;

 private:
  double from_ = 0.0, step_ = 1.0;
  std::vector<double> values_;
};

}  // namespace benches
