#include "dice.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace benches {

namespace {

// Spreads neighbouring seeds over all 64 bits (the finalizer of SplitMix64, public domain).
std::uint64_t spread(std::uint64_t x) {
  x += 0x9e3779b97f4a7c15u;
  x = (x ^ (x >> 30)) * 0xbf58476d1ce4e5b9u;
  x = (x ^ (x >> 27)) * 0x94d049bb133111ebu;
  return x ^ (x >> 31);
}

}  // namespace

Dice::Dice(std::uint64_t seed) : engine_(spread(seed)) {}

double Dice::uniform() { return static_cast<double>(engine_() >> 11) * 0x1p-53; }

double Dice::uniform(double from, double to) { return from + (to - from) * uniform(); }

double Dice::log_uniform(double from, double to) {
  return from * std::exp(uniform() * std::log(to / from));
}

// Box and Muller; the second value is thrown away, so that each call takes two numbers.
double Dice::normal(double sd) {
  const double radius = std::sqrt(-2.0 * std::log(1.0 - uniform()));
  return sd * radius * std::cos(2.0 * std::numbers::pi * uniform());
}

bool Dice::chance(double probability) { return uniform() < probability; }

int Dice::below(int n) { return std::min(n - 1, static_cast<int>(uniform() * n)); }

SlowNoise::SlowNoise(Dice& dice, double sd, double memory, double from, double to)
    : from_(from), step_(memory / 4.0) {
  if (sd <= 0.0) return;
  const double keep = std::exp(-0.25), fresh = sd * std::sqrt(1.0 - keep * keep);
  values_.push_back(dice.normal(sd));
  const auto count = static_cast<std::size_t>((to - from) / step_) + 4;
  while (values_.size() < count) values_.push_back(keep * values_.back() + dice.normal(fresh));
}

// Cubic through the two neighbours with the slopes of their chords.
double SlowNoise::at(double t) const {
  if (values_.empty()) return 0.0;
  const double last = static_cast<double>(values_.size()) - 3.0;
  const double x = std::clamp((t - from_) / step_, 1.0, last);
  const auto i = static_cast<std::size_t>(x);
  const double f = x - static_cast<double>(i);
  const double a = values_[i - 1], b = values_[i], c = values_[i + 1], d = values_[i + 2];
  const double left = 0.5 * (c - a), right = 0.5 * (d - b), f2 = f * f, f3 = f2 * f;
  return b * (2 * f3 - 3 * f2 + 1) + left * (f3 - 2 * f2 + f) + c * (3 * f2 - 2 * f3) +
         right * (f3 - f2);
}

}  // namespace benches
