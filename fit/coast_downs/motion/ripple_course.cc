#include "fit/coast_downs/motion/ripple_course.h"

#include <algorithm>
#include <cmath>

#include "fit/coast_downs/motion/coast_solution.h"

namespace loadline {
namespace {

// Angle and speed without ripple, each shape and how fast it changes, angle and speed with it.
using State = std::array<double, 12>;
constexpr std::size_t kShapes = 2, kWith = 10;

constexpr double kStepOfTwice = 0.25;   // rad of 2θ in a step: an error of some 1e-6 of a shape
constexpr double kSmallStep = 1e-4;     // of the speed, for the slope of the deceleration
constexpr double kLeastSpeed = 1e-3;    // rad/s
constexpr double kNearlyStopped = 0.3;  // of the speed without ripple

double turns_of(std::size_t shape) { return shape < 2 ? 1 : 2; }
// cos θ, sin θ, cos 2θ, sin 2θ
RippleShapes waves(double angle) {
  const double c = std::cos(angle), s = std::sin(angle);
  return {c, s, c * c - s * s, 2 * s * c};
}

State moved(const State& from, const State& slope, double by) {
  State to;
  for (std::size_t i = 0; i < to.size(); ++i) to[i] = from[i] + by * slope[i];
  return to;
}

class Rates {
 public:
  Rates(const CoastEquation<double>& equation, const TorqueRipple& ripple)
      : equation_(equation), ripple_(ripple) {}

  // What the shapes with amplitudes of 1 change the speed by, each.
  RippleShapes forces(double angle, double speed) const {
    RippleShapes forces = waves(angle);
    const double share = ripple_.share(speed);
    for (std::size_t k = 0; k < forces.size(); ++k) {
      const double turns = turns_of(k) * ripple_.reference;
      forces[k] *= -turns * turns * share;
    }
    return forces;
  }

  State operator()(const State& y) const {
    const double w = std::max(y[1], kLeastSpeed), step = kSmallStep * w;
    const double slope =
        (equation_.acceleration(w + step) - equation_.acceleration(w - step)) / (2 * step);
    const double with = std::max(y[kWith + 1], kLeastSpeed);
    State rates;
    rates[0] = y[1];
    rates[1] = equation_.acceleration(w);
    rates[kWith] = y[kWith + 1];
    rates[kWith + 1] = equation_.acceleration(with);
    const RippleShapes forces_without = forces(y[0], w), forces_with = forces(y[kWith], with);
    for (std::size_t k = 0; k < forces_with.size(); ++k) {
      const std::size_t at = kShapes + 2 * k;
      rates[at] = y[at + 1];
      rates[at + 1] = slope * y[at + 1] + forces_without[k];
      rates[kWith + 1] += ripple_.amplitudes[k] * forces_with[k];
    }
    return rates;
  }

 private:
  const CoastEquation<double>& equation_;
  const TorqueRipple& ripple_;
};

// As if it had rippled so for ever; what is left of that is an angle and a speed of the start.
State start(double speed, const TorqueRipple& ripple) {
  const double over = ripple.reference / std::max(speed, kLeastSpeed);
  const double size = over * over * ripple.share(speed);
  State y = {0, speed, size, 0, 0, size * speed, size, 0, 0, 2 * size * speed, 0, speed};
  for (std::size_t k = 0; k < 4; ++k)
    for (const std::size_t i : {0, 1})
      y[kWith + i] += ripple.amplitudes[k] * y[kShapes + 2 * k + i];
  return y;
}

}  // namespace

std::vector<RippleMoved> ripple_course(const CoastEquation<double>& equation, double start_speed,
                                       const std::vector<double>& time_s,
                                       const TorqueRipple& ripple) {
  const Rates rates(equation, ripple);
  State y = start(start_speed, ripple);
  double time = 0;
  bool turns = true;
  std::vector<RippleMoved> course;
  for (const double until : time_s) {
    const double way = std::max(0.0, until - time) * std::max(y[1], kLeastSpeed);
    const int steps = std::max(1, static_cast<int>(std::ceil(2 * way / kStepOfTwice)));
    const double h = (until - time) / steps;
    for (int i = 0; i < steps; ++i) {
      const State k1 = rates(y), k2 = rates(moved(y, k1, h / 2)), k3 = rates(moved(y, k2, h / 2)),
                  k4 = rates(moved(y, k3, h));
      for (std::size_t n = 0; n < y.size(); ++n)
        y[n] += h / 6 * (k1[n] + 2 * (k2[n] + k3[n]) + k4[n]);
    }
    time = until;
    RippleMoved now{{y[2], y[4], y[6], y[8]}, course.empty() ? 0 : course.back().beyond};
    turns = turns && y[kWith + 1] > kNearlyStopped * y[1];
    if (turns) {
      now.beyond = y[kWith] - y[0];
      for (std::size_t k = 0; k < 4; ++k) now.beyond -= ripple.amplitudes[k] * now.shapes[k];
    }
    course.push_back(now);
  }
  return course;
}

}  // namespace loadline
