// A ripple's course against a shaft that truly ripples: followed through time with a small ripple
// in its torque and without, by steps of its own (Heun's, five hundred to a radian).
#include "fit/coast_downs/motion/ripple_course.h"

#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>

#include "fit/coast_downs/motion/coast_solution.h"

using namespace loadline;

namespace {

constexpr double kC0 = 40, kC1 = 0.4, kC2 = 0.004;  // over the inertia: rad/s², 1/s, 1/rad
constexpr double kTop = 90, kReference = 90;        // rad/s

struct Place {
  double angle, speed;
};

// With a torque of `amplitude`·ω_r²·h²·wave(hθ) more, over the inertia.
Place run_down(Place at, double until_s, double amplitude, int turns, bool sine) {
  const auto slowing = [&](const Place& p) {
    const double wave = sine ? std::sin(turns * p.angle) : std::cos(turns * p.angle);
    return -(kC0 + p.speed * (kC1 + kC2 * p.speed)) -
           amplitude * kReference * kReference * turns * turns * wave;
  };
  double time = 0;
  while (time < until_s) {
    const double step = std::min(0.002 / at.speed, until_s - time);
    const double first = slowing(at);
    const Place there = {at.angle + step * at.speed, at.speed + step * first};
    const double second = slowing(there);
    at = {at.angle + step * (at.speed + there.speed) / 2, at.speed + step * (first + second) / 2};
    time += step;
  }
  return at;
}

// The ripple's course by the fit's own code, for one amplitude of cos or sin of some turns.
std::vector<RippleMoved> course(const std::vector<double>& times, double amplitude, int turns,
                                bool sine) {
  TorqueRipple ripple{kReference, {}, [](double) { return 1.0; }};
  ripple.amplitudes[2 * static_cast<std::size_t>(turns - 1) + (sine ? 1 : 0)] = amplitude;
  return ripple_course(CoastEquation<double>(kC0, kC1, kC2, 1.0), kTop, times, ripple);
}

// At the last of these it loses more than half of its speed within a radian.
const std::vector<double> kTimes = {0.3, 0.8, 1.1, 1.22};

void check_against_time(double amplitude, double tolerance) {
  for (int turns = 1; turns <= 2; ++turns)
    for (const bool sine : {false, true}) {
      const auto moved = course(kTimes, amplitude, turns, sine);
      REQUIRE(moved.size() == kTimes.size());
      const Place start = {sine ? 0 : amplitude, kTop + (sine ? amplitude * turns * kTop : 0)};
      const std::size_t shape = 2 * static_cast<std::size_t>(turns - 1) + (sine ? 1 : 0);
      for (std::size_t i = 0; i < kTimes.size(); ++i) {
        const double plain = run_down({0, kTop}, kTimes[i], 0, 1, false).angle;
        const double truly = run_down(start, kTimes[i], amplitude, turns, sine).angle - plain;
        CAPTURE(kTimes[i]);
        CAPTURE(shape);
        CHECK(moved[i].shapes[shape] + moved[i].beyond / amplitude ==
              doctest::Approx(truly / amplitude).epsilon(tolerance).scale(1));
      }
    }
}

}  // namespace

TEST_CASE("A ripple moves the shaft as it does one that is followed through time") {
  const Place last = run_down({0, kTop}, kTimes.back(), 0, 1, false);
  CHECK(kC0 / (last.speed * last.speed) > 0.5);
  check_against_time(1e-6, 0.002);
}

TEST_CASE(
    "A ripple that is no small one any more costs the shaft time, which is in what is beyond") {
  check_against_time(1e-3, 0.002);
  // Of a slow shaft that ripples, each turn takes longer: it comes less far, whatever the phase.
  for (const bool sine : {false, true}) CHECK(course(kTimes, 1e-3, 2, sine).back().beyond < 0);
  CHECK(course(kTimes, 0, 1, false).back().beyond == doctest::Approx(0).scale(1e-6));
}

TEST_CASE("A ripple that would stop the shaft leaves a finite answer") {
  for (const RippleMoved& moved : course(kTimes, 0.2, 1, false)) {
    CHECK(std::isfinite(moved.beyond));
    for (const double shape : moved.shapes) CHECK(std::isfinite(shape));
  }
}
