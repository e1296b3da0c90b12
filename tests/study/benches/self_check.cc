// The generator against closed forms, worked textbook motors and itself read at constant speed.
#include <doctest/doctest.h>

#include <algorithm>
#include <cmath>
#include <numbers>
#include <sstream>

#include "bench.h"
#include "cell.h"
#include "motion.h"
#include "motor.h"
#include "tachometer.h"

namespace benches {
namespace {

constexpr double kTurn = 2.0 * std::numbers::pi, kRpm = 60.0 / kTurn;

Shaft coasting(double inertia, double c0, double c1, double c2) {
  Shaft shaft;
  shaft.inertia = inertia;
  shaft.torque = [=](double, double, double w) { return -(c0 + w * (c1 + w * c2)); };
  return shaft;
}

// J dω/dt = −c₀ − c₁ω: ω(t) = (ω₀ + c₀/c₁)·exp(−c₁t/J) − c₀/c₁, at rest after
// (J/c₁)·ln(1 + c₁ω₀/c₀) = 2·ln 4 s. Worked by hand.
TEST_CASE("A shaft with dry and viscous drag comes down as its closed form says") {
  const Motion motion = turn(coasting(2e-4, 0.02, 1e-4, 0.0), {0, 1, 600, 0}, 10.0);
  CHECK(motion.at(1.0).speed == doctest::Approx(285.2245278).epsilon(1e-9));
  CHECK(motion.below(1e-9) == doctest::Approx(2.772588722).epsilon(1e-9));
  CHECK(motion.last().speed == 0.0);
  // The angle from the same law: J·ω₀ = c₀·t + c₁·θ, when it stands.
  const double angle = (2e-4 * 600 - 0.02 * 2.772588722) / 1e-4;
  CHECK(motion.last().angle - 1 == doctest::Approx(angle).epsilon(1e-8));
}

// J dω/dt = −c₀ − c₂ω²: ω(t) = √(c₀/c₂)·tan(atan(ω₀√(c₂/c₀)) − t√(c₀c₂)/J).
TEST_CASE("A shaft with dry and fan drag comes down as its closed form says") {
  const double j = 3e-3, c0 = 0.05, c2 = 6e-6, top = 150.0;
  const Motion motion = turn(coasting(j, c0, 0, c2), {0, 0, top, 0}, 20.0);
  const double phase = std::atan(top * std::sqrt(c2 / c0)), pace = std::sqrt(c0 * c2) / j;
  CHECK(motion.below(1e-9) == doctest::Approx(phase / pace).epsilon(1e-9));
  for (const double t : {0.5, 2.0, 5.0})
    CHECK(motion.at(t).speed ==
          doctest::Approx(std::sqrt(c0 / c2) * std::tan(phase - pace * t)).epsilon(1e-9));
}

TEST_CASE("A crank without friction keeps its energy") {
  Shaft shaft = coasting(2e-3, 0, 0, 0);
  shaft.crank = {{1, 6e-5, 0.3}, {2, 1e-4, 1.1}};
  const Motion motion = turn(shaft, {0, 0, 100, 0}, 5.0);
  const auto energy = [&](double t) {
    const Instant now = motion.at(t);
    double j = shaft.inertia;
    for (const Swing& swing : shaft.crank) j += swing.at(now.angle);
    return 0.5 * j * now.speed * now.speed;
  };
  for (const double t : {0.017, 1.3, 4.9})
    CHECK(energy(t) == doctest::Approx(energy(0)).epsilon(1e-7));
}

// All the energy goes into the mean drag: ∫(c₀ + c₁ω + c₂ω²)dθ = ½Jω₀², but for what the swinging
// inertia holds at the place of the start.
TEST_CASE("Ripple and crank leave the mean drag true") {
  const double c0 = 0.06, c1 = 5e-4, c2 = 3e-6;
  Shaft shaft = coasting(2e-3, c0, c1, c2);
  const std::vector<Swing> ripple = {{1, 0.01, 0.4}, {3, 0.008, 2.0}};
  shaft.torque = [&](double, double angle, double w) {
    return -(c0 + w * (c1 + w * c2)) + ripple[0].at(angle) + ripple[1].at(angle);
  };
  shaft.crank = {{2, 4e-5, std::numbers::pi / 2}};  // nil at the start
  const Motion motion = turn(shaft, {0, 0, 120, 0}, 20.0);
  double work = 0.0;
  constexpr double kStep = 1e-4;
  for (double t = kStep / 2; t < motion.end(); t += kStep) {
    const double w = motion.at(t).speed;
    work += (c0 + w * (c1 + w * c2)) * w * kStep;
  }
  CHECK(work == doctest::Approx(0.5 * 2e-3 * 120 * 120).epsilon(2e-3));
}

TEST_CASE("The time of an angle is the one at which the shaft has that angle") {
  const Motion motion = turn(coasting(2e-4, 0.02, 1e-4, 0.0), {0, 0, 600, 0}, 10.0);
  const std::vector<double> times = motion.times_of({1.0, 50.0, 600.0, 640.0, 1e6});
  REQUIRE(times.size() == 4);  // a million rad are never reached
  CHECK(motion.at(times[1]).angle == doctest::Approx(50.0).epsilon(1e-10));
  CHECK(motion.at(times[3]).angle == doctest::Approx(640.0).epsilon(1e-10));
}

// Series motor on 240 V, 50 Hz, R = 6.15 + 4.55 Ω, X = 9.4 + 3.2 Ω; at 12,000 rpm it takes 6.5 A
// and develops 1014.3 W, at 1582 rpm 12.81 A at an EMF of 40.53 V. A textbook problem (Guru and
// Hiziroglu, Electric Machinery and Transformers), seen in a tutorial, its results derived there.
TEST_CASE("The series circuit is that of a textbook's motor") {
  const SeriesCircuit c{240.0, 6.15 + 4.55, 9.4 + 3.2, 0.019105};
  CHECK(c.current(12000 / kRpm) == doctest::Approx(6.5).epsilon(1e-3));
  CHECK(c.torque(12000 / kRpm) == doctest::Approx(1014.3 / (12000 / kRpm)).epsilon(1e-3));
  CHECK(c.current(1582 / kRpm) == doctest::Approx(12.81).epsilon(1e-3));
  CHECK(c.torque(1582 / kRpm) == doctest::Approx(40.53 * 12.81 / (1582 / kRpm)).epsilon(1e-3));
}

// Pmax = Ts·ωn/4 at ωn/2 (any text on permanent-magnet motors).
TEST_CASE("A straight line's facts are those of its formula") {
  const Motor motor(
      "magnet", [](double w) { return 0.4 * (1 - w / 1000.0) + 0.01; }, 1000.0, 1.0);
  const std::string facts = motor.truth().json();
  CHECK(motor.torque(0) == doctest::Approx(0.4));
  CHECK(motor.torque(1000.0) == doctest::Approx(0.0));
  CHECK(facts.find("\"peak_power\": 100,") != std::string::npos);
  CHECK(facts.find("\"peak_power_speed\": 4774.64829}") != std::string::npos);  // 500 rad/s
}

TEST_CASE("A drawn motor's torque falls to nothing at its top speed, and its peak is a peak") {
  for (int seed = 0; seed < 40; ++seed) {
    Dice dice(seed);
    const Motor motor = draw_motor(dice);
    CAPTURE(motor.kind);
    CHECK(std::abs(motor.torque(motor.top)) < 1e-6);
    CHECK(motor.torque(0.0) > 0.0);
    for (double share = 0.0; share < 0.99; share += 0.01)
      CHECK(motor.torque(share * motor.top) > 0.0);
  }
}

double middle(std::vector<double> values) {
  std::sort(values.begin(), values.end());
  return values[values.size() / 2];
}

// At constant speed each row is that speed but for counting, marks out of place and noise, which
// cancel over ten minutes. Where pulses are lost or doubled only most of the rows are right; where
// single periods are shown, it is their mean that is true, not that of their inverses.
TEST_CASE("Each instrument reads the true speed of a shaft that turns evenly") {
  constexpr double kSpeed = 1234.567 / kRpm, kEnd = 600.0;
  Motion motion;
  motion.add({-2.0, 0.3, kSpeed, 0.0});
  motion.add({kEnd, 0.3 + (kEnd + 2.0) * kSpeed, kSpeed, 0.0});
  for (const std::string& kind : tachometer_kinds()) {
    for (int seed = 0; seed < 6; ++seed) {
      Dice dice(seed + 100);
      const Tachometer o = draw_tachometer(kind, 1800, seed % 2 == 1, dice);
      const std::vector<Row> rows = read(o, motion, 0.0, kEnd, dice);
      REQUIRE(rows.size() > 500);
      const bool spoilt = o.disc.lost + o.disc.doubled > 0, periods = o.base == "last-pulses";
      double sum = 0.0;
      std::vector<double> values;
      for (const Row& row : rows) {
        sum += periods ? 1.0 / row.rpm : row.rpm;
        values.push_back(row.rpm);
      }
      const double mean = sum / static_cast<double>(rows.size());
      const double seen = spoilt ? middle(values) : periods ? 1.0 / mean : mean;
      double allowed = 0.001 * 1234.567 + 0.5 * o.digit;
      if (o.base == "voltage") allowed += 0.5 * o.full_scale / std::pow(2.0, o.bits);
      CAPTURE(kind);
      CAPTURE(o.facts().json());
      CHECK(std::abs(seen - 1234.567) <= allowed);
    }
  }
}

// A mean over a window is late by half of it; with the lag, the delay and half a conversion for
// which the value is held, that is by how much it trails a ramp.
TEST_CASE("The cell shows a steady torque, and trails a ramp by what it says") {
  for (int seed = 0; seed < 12; ++seed) {
    Dice dice(seed);
    Cell cell = draw_cell(0.4, dice);
    cell.noise = cell.drift = cell.wander = 0.0;
    std::vector<double> at;
    for (double t = 5.0; t < 25.0; t += 0.0137) at.push_back(t);
    const auto mean_of = [&](const std::function<double(double)>& torque) {
      double sum = 0.0;
      for (const double value : weigh(cell, torque, 0.0, 30.0, at, dice)) sum += value;
      return sum / static_cast<double>(at.size());
    };
    CAPTURE(cell.facts().json());
    CHECK(mean_of([](double) { return 0.2; }) == doctest::Approx(0.2).epsilon(1e-3));
    const double middle_time = 0.5 * (at.front() + at.back());
    const double trail = middle_time - mean_of([](double t) { return 0.01 * t; }) / 0.01;
    CHECK(std::abs(trail - cell.slowness()) < 0.005 + 0.1 * cell.slowness());
  }
}

TEST_CASE("Slow noise has the spread and the memory that were asked for") {
  Dice dice(7);
  const SlowNoise noise(dice, 0.02, 0.1, 0.0, 2000.0);
  double square = 0.0, product = 0.0;
  int n = 0;
  for (double t = 1.0; t < 1998.0; t += 0.025, ++n) {  // on the grid
    square += noise.at(t) * noise.at(t);
    product += noise.at(t) * noise.at(t + 0.1);
  }
  CHECK(std::sqrt(square / n) == doctest::Approx(0.02).epsilon(0.03));
  CHECK(product / square == doctest::Approx(std::exp(-1.0)).epsilon(0.05));
}

// First column of a table, without its header.
std::vector<double> first_column(const std::string& table) {
  std::istringstream in(table);
  std::string line;
  std::getline(in, line);
  std::vector<double> column;
  while (std::getline(in, line)) column.push_back(std::stod(line));
  return column;
}

TEST_CASE("A bench is the same each time, and another for another seed") {
  for (const std::string& family : families()) {
    const std::string kind = kinds_of(family).front();
    const Bench one = make_bench(family, kind, 5, 3), same = make_bench(family, kind, 5, 3);
    CHECK(one.tables == same.tables);
    CHECK(one.json() == same.json());
    CHECK(one.tables != make_bench(family, kind, 6, 3).tables);
    CHECK(one.tables != make_bench(family, kind, 5, 4).tables);
  }
}

TEST_CASE("Every table has its rows, in the order of time") {
  for (const std::string& family : families()) {
    for (const std::string& kind : kinds_of(family)) {
      const Bench bench = make_bench(family, kind, 11, 0);
      CAPTURE(family);
      CAPTURE(kind);
      REQUIRE(bench.tables.size() == bench.added.size());
      for (const std::string& table : bench.tables) {
        const std::vector<double> column = first_column(table);
        CHECK(column.size() >= (family == "steady" ? 5 : 25));
        CHECK(table.find("nan") == std::string::npos);
        CHECK(table.find("inf") == std::string::npos);
        if (family != "steady") CHECK(std::is_sorted(column.begin(), column.end()));
      }
    }
  }
}

}  // namespace
}  // namespace benches
