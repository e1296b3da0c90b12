// Motors that run up against a disc of known inertia, and sometimes run out again.
#include <algorithm>
#include <cmath>
#include <numbers>

#include "bench.h"
#include "motion.h"
#include "motor.h"

namespace benches {

namespace {

struct Switched {
  double on = 0.5, off = 10, end = 10;  // s
  double rise = 0.0;                    // s, time constant of the current's rise
};

// Seconds per kg·m² from rest to `share` of the top speed.
double seconds_to(const Motor& motor, double share) {
  double sum = 0.0;
  constexpr int kSteps = 4000;
  const double step = share * motor.top / kSteps;
  for (int i = 0; i < kSteps; ++i) sum += step / motor.torque((i + 0.5) * step);
  return sum;
}

// A motor, an instrument and a disc that suit each other: a run-up of at most 14 s, slow enough for
// the instrument, and a disc that a bench can bear.
struct Setup {
  Motor motor;
  Tachometer tachometer;
  double inertia = 0.0;  // kg·m², all that turns
};

Setup draw_setup(const std::string& kind, Dice& dice) {
  constexpr double kLightest = 5e-5, kHeaviest = 1e-2;  // kg·m²
  for (;;) {
    const Motor motor = draw_motor(dice);
    const double rpm = motor.top * kRpm;
    const Tachometer o = draw_tachometer(kind, rpm, true, dice);
    const bool counts = o.base != "gate" || 0.4 * rpm / 60.0 * o.disc.pulses * o.gate >= 30.0;
    const double a_unit = seconds_to(motor, 0.95);
    const double least = std::max({2.5, 25.0 * o.slowness(0.4 * rpm), kLightest * a_unit});
    const double most = std::min(14.0, kHeaviest * a_unit);
    if (counts && o.rows.rate >= 4.0 && least < most)
      return {motor, o, dice.uniform(least, most) / a_unit};
  }
}

Switched draw_course(const Motor& motor, double inertia, Dice& dice) {
  Switched course;
  course.on = dice.uniform(0.3, 2.0);
  course.rise = dice.of({0.0, 0.0, 0.004, 0.01});
  course.off = course.on + inertia * seconds_to(motor, dice.uniform(0.985, 0.998)) +
               dice.of({0.0, 0.0, 1.0, 3.0});
  course.end = course.off + (dice.chance(0.35) ? dice.uniform(3.0, 12.0) : 0.0);
  return course;
}

}  // namespace

Bench make_spin_up(const std::string& kind, Dice& dice) {
  const Setup setup = draw_setup(kind, dice);
  const Motor& motor = setup.motor;
  const Tachometer& o = setup.tachometer;
  const double inertia = setup.inertia;
  const Switched course = draw_course(motor, inertia, dice);
  const double swing = motor.mains_hz > 0.0 ? dice.of({0.0, 0.9}) : 0.0;
  const double noise_sd = dice.of({0.0, 0.001, 0.003});
  const SlowNoise noise(dice, noise_sd, 0.1, -1.0, course.end);
  const double pace = 4.0 * std::numbers::pi * motor.mains_hz;
  Shaft shaft;
  shaft.inertia = inertia;
  shaft.jumps = {course.on, course.off};
  shaft.most_time = 4e-3;
  shaft.most_angle = 50.0;
  shaft.torque = [&](double t, double, double w) {
    if (t < course.on) return 0.0;
    if (t > course.off) return -motor.friction(w);
    const double risen = course.rise > 0 ? 1.0 - std::exp(-(t - course.on) / course.rise) : 1.0;
    return motor.torque(w) * risen * (1.0 + noise.at(t)) * (1.0 + swing * std::cos(pace * t));
  };
  const Motion motion = turn(shaft, {-1.0, dice.uniform(0, 6.28), 0, 0}, course.end);
  Bench bench;
  bench.tables.push_back(table_of("motor_rpm", read(o, motion, 0.0, course.end, dice), o));
  bench.added.push_back(0.0);
  bench.truth = motor.truth();
  bench.known.add("inertia_kgm2", inertia);
  bench.known.add("supply_v", 230.0);
  bench.o = o.facts();
  bench.info.add("motor", motor.kind);
  bench.info.add("on", course.on);
  bench.info.add("off", course.off);
  bench.info.add("end", course.end);
  bench.info.add("rise", course.rise);
  bench.info.add("noise", noise_sd);
  bench.info.add("swing", swing);
  return bench;
}

}  // namespace benches
