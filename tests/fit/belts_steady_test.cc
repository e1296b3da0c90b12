#include <doctest/doctest.h>

#include <cmath>
#include <random>

#include "db/basis/units.h"
#include "fit/belts/steady_part.h"

using namespace loadline;

namespace {

// A trace of windows of `step` whose mean speeds come from `speed(t)` in rpm, at the middle.
template <typename Speed>
SpeedTrace trace_of(double seconds, double step, Speed speed) {
  SpeedTrace trace;
  for (double t = 0; t + step <= seconds + 1e-9; t += step) {
    trace.start_s.push_back(t);
    trace.end_s.push_back(t + step);
    trace.speed.push_back(rad_per_s_from_rpm(speed(t + step / 2)));
  }
  trace.interval_s = step;
  return trace;
}

double rpm(const SteadyPart& part) { return rpm_from_rad_per_s(part.speed); }

}  // namespace

TEST_CASE("run-up and run-down are left out and the plateau's mean comes back") {
  std::mt19937_64 engine(5);
  std::normal_distribution<double> normal;
  const SteadyPart part = steady_part(trace_of(12, 0.05, [&](double t) {
    const double up = 1 - std::exp(-t / 0.5);
    const double down = t > 10 ? std::exp(-(t - 10) / 0.4) : 1;
    return 900 * up * down + 3 * normal(engine);
  }));
  REQUIRE(part.found());
  CHECK(rpm(part) == doctest::Approx(900).epsilon(0.002));
  CHECK(part.start_s > 1);
  CHECK(part.end_s < 10.3);
  CHECK(part.turns == doctest::Approx(std::round(part.turns)).epsilon(1e-9));
}

// Ripple of 10 % once a turn at 60 rpm: a mean over whole turns is exact, over any other stretch
// it is off by up to 10 %/(π·turns) (derived).
TEST_CASE("the mean is over whole turns") {
  SteadyOptions options;
  options.least_turns = 5;
  const SteadyPart part = steady_part(trace_of(7.6, 0.01,
                                               [](double t) {
                                                 // d(turns)/dt = 1/(1 − 0.1 cos(2π·turns)) in
                                                 // closed form needs Kepler's equation: t = n − 0.1
                                                 // sin(2πn)/2π, solved by iteration.
                                                 double n = t;
                                                 for (int i = 0; i < 60; ++i)
                                                   n = t + 0.1 * std::sin(2 * kPi * n) / (2 * kPi);
                                                 return 60 / (1 - 0.1 * std::cos(2 * kPi * n));
                                               }),
                                      options);
  REQUIRE(part.found());
  CHECK(rpm(part) == doctest::Approx(60).epsilon(0.0005));
}

TEST_CASE("a run that still speeds up, sags or jumps has no steady part, and says why") {
  const SteadyPart rising =
      steady_part(trace_of(10, 0.05, [](double t) { return 1000 * (1 - std::exp(-t / 6)); }));
  CHECK(rising.fault.find("still rose") != std::string::npos);
  const SteadyPart slow = steady_part(trace_of(10, 0.05, [](double t) { return 950 + 6 * t; }));
  CHECK_FALSE(slow.found());
  const SteadyPart jump =
      steady_part(trace_of(10, 0.05, [](double t) { return t < 5 ? 1000.0 : 930.0; }));
  CHECK(jump.fault.find("not steady") == 0);
  const SteadyPart let_go =
      steady_part(trace_of(10, 0.05, [](double t) { return t > 4 && t < 6 ? 700.0 : 1000.0; }));
  CHECK(let_go.fault.find("not steady") == 0);
  const SteadyPart still = steady_part(trace_of(10, 0.05, [](double) { return 0.0; }));
  CHECK(still.fault.find("stands still") != std::string::npos);
  CHECK_FALSE(steady_part(trace_of(0.2, 0.05, [](double) { return 900.0; })).found());
  CHECK_FALSE(steady_part(SpeedTrace{}).found());
}

TEST_CASE("missed and doubled edges are left out and counted") {
  const SteadyPart part = steady_part(trace_of(8, 0.05, [](double t) {
    const long i = std::lround(t / 0.05);
    if (i == 40) return 2000.0;
    if (i == 80) return 500.0;
    return 1000 + (i % 2 == 0 ? 2.0 : -2.0);
  }));
  REQUIRE(part.found());
  CHECK(part.knocks == 2);
  CHECK(rpm(part) == doctest::Approx(1000).epsilon(0.0005));
}

// First-order autoregression φ = 0.9 of standard deviation σ: the mean of n readings has variance
// σ²/n·(1+φ)/(1−φ) = 19 σ²/n (any text on time series). Means of 400 runs against what each states.
TEST_CASE("the stated uncertainty allows for correlated noise") {
  std::mt19937_64 engine(11);
  std::normal_distribution<double> normal;
  double squares = 0, stated = 0;
  const int runs = 400;
  for (int r = 0; r < runs; ++r) {
    double e = normal(engine);
    const SteadyPart part = steady_part(trace_of(20, 0.05, [&](double) {
      e = 0.9 * e + std::sqrt(1 - 0.81) * normal(engine);
      return 1000 + 5 * e;
    }));
    REQUIRE(part.found());
    squares += std::pow(rpm(part) - 1000, 2) / runs;
    stated += std::pow(rpm_from_rad_per_s(part.speed_sd), 2) / runs;
  }
  CHECK(std::sqrt(squares) == doctest::Approx(5 * std::sqrt(19 / 400.0)).epsilon(0.15));
  CHECK(std::sqrt(stated) == doctest::Approx(std::sqrt(squares)).epsilon(0.3));
}
