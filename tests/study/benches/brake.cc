// Motors against a brake: sweeps down and up, one-way sweeps, steps.
#include <algorithm>
#include <cmath>
#include <numbers>

#include "bench.h"
#include "cell.h"
#include "motion.h"
#include "motor.h"

namespace benches {

namespace {

struct Brake {
  bool eddy = false;                 // torque rises with speed up to `bend`; else friction
  double bend = 0;                   // rad/s
  double chatter = 0, memory = 0.1;  // noise as a share of the torque; s
  double drum = 0;                   // once a turn, as a share of the torque
  double grip(double w) const {
    const double x = w / bend;
    return eddy ? 2.0 * x / (1.0 + x * x) : std::tanh(w / 2.0);
  }
};

// What the person at the brake does over time.
struct Course {
  std::string style;     // sweep, one-way, steps
  double seconds = 0;    // from first touch to last
  double plateau = 1.0;  // s without brake before and, after a sweep, behind
  int steps = 0;
  bool back = false;      // steps: up again on the same levels
  bool by_speed = false;  // even in speed instead of in torque
  double low = 0;         // rad/s, lowest speed aimed at
  double unsteady = 0;    // bend of the hand's course, share

  double end() const { return seconds + 2.0 * plateau; }

  // How far the brake is on, 0 to 1, at t.
  double progress(double t) const {
    const double x = std::clamp((t - plateau) / seconds, 0.0, 1.0);
    if (style == "steps") return level(x * levels());
    const double leg = style == "sweep" ? 1.0 - std::abs(2.0 * x - 1.0) : std::min(x, 1.0);
    return leg + unsteady * std::sin(std::numbers::pi * leg);
  }

  int levels() const { return back ? 2 * steps - 1 : steps; }

 private:
  // On each level the hand turns for an eighth of the time and then waits.
  double level(double x) const {
    const int n = std::min(static_cast<int>(x), levels() - 1);
    const double moved = std::min(1.0, 8.0 * (x - n));
    return (1.0 - moved) * height(n - 1) + moved * height(n);
  }
  double height(int n) const {
    if (n < 0) return 0.0;
    return static_cast<double>(n < steps ? n + 1 : 2 * steps - 1 - n) / steps;
  }
};

Brake draw_brake(const Motor& motor, Dice& dice) {
  Brake brake;
  const bool pulls_out = motor.kind == "induction" || motor.kind == "capacitor";
  // Below its pull-out an induction motor runs steadily only on a brake that eases as it slows.
  brake.eddy = pulls_out || dice.chance(0.35);
  brake.bend = motor.top * dice.uniform(1.0, 2.0);
  brake.chatter = dice.of({0.002, 0.005, 0.01, 0.02});
  brake.memory = dice.of({0.03, 0.1, 0.2});
  brake.drum = dice.of({0.0, 0.0, 0.01, 0.03});
  return brake;
}

Course draw_course(const Motor& motor, double slow, double cell_slow, Dice& dice) {
  Course course;
  course.style = dice.of<const char*>({"sweep", "sweep", "one-way", "steps", "steps"});
  course.plateau = dice.uniform(0.8, 2.0) + 2.0 * slow;
  course.by_speed = motor.kind == "induction" || motor.kind == "capacitor" || dice.chance(0.4);
  course.low = motor.top * dice.uniform(0.04, 0.3);
  course.unsteady = dice.uniform(0.0, 0.08);
  const double late = slow + cell_slow;
  if (course.style == "sweep") course.seconds = std::max(dice.uniform(12, 60), 60.0 * late);
  if (course.style == "one-way") course.seconds = std::max(dice.uniform(10, 40), 60.0 * late);
  if (course.style == "steps") {
    course.steps = dice.of({6, 8, 10, 12});
    course.back = dice.chance(0.4);
    course.seconds = course.levels() * (dice.uniform(1.5, 4.0) + 6.0 * late);
  }
  return course;
}

// How hard the brake is set over how far it is on: by the steady state that it leads to.
std::vector<double> settings(const Motor& motor, const Brake& brake, const Course& course) {
  std::vector<double> table{0.0};
  constexpr int kSteps = 400;
  const double most = motor.torque(course.low);
  for (int i = 1; i <= kSteps; ++i) {
    const double x = static_cast<double>(i) / kSteps;
    double w = motor.top - x * (motor.top - course.low);
    if (!course.by_speed) {
      double low = course.low, high = motor.top;
      for (int n = 0; n < 60; ++n) {
        w = 0.5 * (low + high);
        (motor.torque(w) > x * most ? low : high) = w;
      }
    }
    table.push_back(motor.torque(w) / brake.grip(w));
  }
  return table;
}

double looked_up(const std::vector<double>& table, double x) {
  x = std::clamp(x, 0.0, 1.0) * static_cast<double>(table.size() - 1);
  const auto i = std::min(static_cast<std::size_t>(x), table.size() - 2);
  return table[i] + (x - static_cast<double>(i)) * (table[i + 1] - table[i]);
}

Tachometer draw_suitable(const std::string& kind, double top_rpm, Dice& dice) {
  for (;;) {
    const Tachometer o = draw_tachometer(kind, top_rpm, true, dice);
    const bool counts = o.base != "gate" || 0.3 * top_rpm / 60.0 * o.disc.pulses * o.gate >= 30.0;
    if (counts && o.slowness(0.5 * top_rpm) < 1.6) return o;
  }
}

// Alternating current makes the torque swing at twice the mains; how far is chosen such that the
// speed swings by no more than 0.5 % of the top, so that the mean torque stays the curve's.
double mains_swing(const Motor& motor) {
  if (motor.mains_hz <= 0.0) return 0.0;
  const double pace = 4.0 * std::numbers::pi * motor.mains_hz;
  return std::min(0.9, 0.005 * motor.top * motor.inertia * pace / motor.torque(0.3 * motor.top));
}

struct Made {
  std::string table;
  double lowest;  // rpm
};

Made one_run(const Motor& motor, const Brake& brake, const Course& course, const Tachometer& o,
             const Cell& cell, Dice& dice) {
  const SlowNoise chatter(dice, brake.chatter, brake.memory, -1.0, course.end());
  const std::vector<double> table = settings(motor, brake, course);
  const double swing = mains_swing(motor) * (dice.chance(0.5) ? 1.0 : 0.0);
  const double pace = 4.0 * std::numbers::pi * motor.mains_hz;
  const auto braking = [&](double t, double angle, double w) {
    return looked_up(table, course.progress(t)) * brake.grip(w) * (1.0 + chatter.at(t)) *
           (1.0 + brake.drum * std::sin(angle));
  };
  Shaft shaft;
  shaft.inertia = motor.inertia;
  shaft.torque = [&](double t, double angle, double w) {
    return motor.torque(w) * (1.0 + swing * std::cos(pace * t)) - braking(t, angle, w);
  };
  shaft.most_time = 2e-3;
  shaft.most_angle = brake.drum > 0.0 ? 0.6 : 5.0;
  const Motion motion = turn(shaft, {-1.0, dice.uniform(0, 6.28), motor.top, 0}, course.end());
  const double end = course.style == "one-way" ? course.end() - course.plateau : course.end();
  const std::vector<Row> rows = read(o, motion, 0.0, end, dice);
  std::vector<double> at;
  double lowest = motor.top;
  for (const Row& row : rows) {
    at.push_back(row.latched);
    lowest = std::min(lowest, motion.at(row.latched).speed);
  }
  const auto reaction = [&](double t) {
    const Instant now = motion.at(t);
    return braking(t, now.angle, now.speed);
  };
  const std::vector<double> torque = weigh(cell, reaction, -0.9, end, at, dice);
  return {table_of("motor_rpm", rows, o, &torque, cell.digit), lowest * kRpm};
}

Facts facts_of(const Motor& motor, const Brake& brake, const Course& course) {
  Facts facts;
  facts.add("motor", motor.kind);
  facts.add("style", course.style);
  facts.add("seconds", course.end());
  if (course.steps > 0) facts.add("steps", course.levels());
  facts.add("by", course.by_speed ? "speed" : "torque");
  facts.add("brake", brake.eddy ? "eddy" : "friction");
  facts.add("chatter", brake.chatter);
  facts.add("drum", brake.drum);
  facts.add("mains_hz", motor.mains_hz);
  return facts;
}

}  // namespace

Bench make_brake(const std::string& kind, Dice& dice) {
  const Motor motor = draw_motor(dice);
  const Tachometer o = draw_suitable(kind, motor.top * kRpm, dice);
  const Cell cell = draw_cell(std::max(motor.torque(0.0), motor.torque(0.5 * motor.top)), dice);
  const Brake brake = draw_brake(motor, dice);
  const Course course =
      draw_course(motor, o.slowness(0.3 * motor.top * kRpm), cell.slowness(), dice);
  Bench bench;
  bench.info = facts_of(motor, brake, course);
  const int runs = dice.chance(0.2) ? 2 : 1;
  for (int i = 0; i < runs; ++i) {
    const Made made = one_run(motor, brake, course, o, cell, dice);
    bench.tables.push_back(made.table);
    bench.added.push_back(0.0);
    if (i == 0) bench.info.add("lowest_rpm", made.lowest);
  }
  bench.truth = motor.truth();
  bench.known.add("inertia_kgm2", motor.inertia);
  bench.known.add("supply_v", 230.0);
  bench.o = o.facts();
  bench.o.add("cell", cell.facts());
  return bench;
}

}  // namespace benches
