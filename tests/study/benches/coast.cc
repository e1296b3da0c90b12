// Machines that coast down, alone and with a disc of known inertia.
#include <algorithm>
#include <cmath>

#include "bench.h"
#include "motion.h"

namespace benches {

namespace {

struct Machine {
  double inertia = 0, c0 = 0, c1 = 0, c2 = 0;  // SI, at the hand wheel
  double top = 0;                              // rad/s at the release
  std::vector<Swing> ripple;                   // torque, N·m; nil over a turn
  std::vector<Swing> crank;                    // inertia, kg·m²; nil over a turn
  double noise_sd = 0, noise_memory = 0.1;     // friction's own noise, as a share of the drag
  double drag(double w) const { return c0 + w * (c1 + w * c2); }
};

// How one evening's runs are made.
struct Manner {
  double before = 0;   // s of the table before the release; less than 0: begun after it
  double release = 0;  // s that the belt takes to let go
  double after = 0;    // s of the table after standstill
  double cut = 0;      // or: recording ends at this share of the top speed
};

// Seconds from top speed to rest for drag of shape s0 + s1·x + s2·x², x = ω/top, and J = top = 1.
double seconds_to_rest(double s0, double s1, double s2) {
  double sum = 0.0;
  constexpr int kSteps = 2000;  // midpoints
  for (int i = 0; i < kSteps; ++i) {
    const double x = (i + 0.5) / kSteps;
    sum += 1.0 / (s0 + x * (s1 + x * s2)) / kSteps;
  }
  return sum;
}

std::vector<Swing> draw_ripple(const Machine& m, Dice& dice) {
  std::vector<Swing> ripple;
  const int count = dice.below(5);
  const double most = m.c0 * dice.of({0.03, 0.08, 0.2, 0.4}) / std::max(1, count);
  for (int h = 1; h <= count; ++h)
    ripple.push_back({h, most * dice.uniform(0.2, 1.0), dice.uniform(0, 6.28)});
  return ripple;
}

Machine draw_machine(double top_rpm, double span, Dice& dice) {
  Machine m;
  m.top = top_rpm / kRpm;
  m.inertia = dice.log_uniform(5e-4, 1e-2);
  const double s0 = dice.uniform(0.15, 1), s1 = dice.uniform(0.05, 1), s2 = dice.uniform(0.04, 0.7);
  const double scale = m.inertia * m.top / span * seconds_to_rest(s0, s1, s2);
  m.c0 = scale * s0, m.c1 = scale * s1 / m.top, m.c2 = scale * s2 / (m.top * m.top);
  m.ripple = draw_ripple(m, dice);
  for (int h = 1; h <= 2; ++h) {
    const double share = dice.of({0.0, 0.0, 0.005, 0.015, 0.03});
    if (share > 0) m.crank.push_back({h, share * m.inertia, dice.uniform(0, 6.28)});
  }
  m.noise_sd = dice.of({0.0, 0.0, 0.002, 0.005, 0.01});
  m.noise_memory = dice.of({0.03, 0.1, 0.3});
  return m;
}

// One coast-down from `top` rad/s; time 0 is the release. The drive before it holds the speed.
Motion coast_down(const Machine& m, double added, double top, double release, double span,
                  Dice& dice) {
  constexpr double kDriven = 4.0;  // s of steady running before
  const double end = 3.0 * span * (1.0 + added / m.inertia) + 5.0;
  const SlowNoise noise(dice, m.noise_sd, m.noise_memory, -kDriven, end);
  const double stiffness = (m.inertia + added) * dice.uniform(3.0, 10.0);
  Shaft shaft;
  shaft.inertia = m.inertia + added;
  shaft.crank = m.crank;
  shaft.jumps = {0.0, release};
  shaft.torque = [&, top, release](double t, double angle, double w) {
    double torque = -m.drag(w) * (1.0 + noise.at(t));
    for (const Swing& swing : m.ripple) torque += swing.at(angle);
    const double grip = t < 0.0 ? 1.0 : t < release ? 1.0 - t / release : 0.0;
    return grip > 0.0 ? torque + grip * (m.drag(top) + stiffness * (top - w)) : torque;
  };
  return turn(shaft, {-kDriven, dice.uniform(0, 6.28), top, 0}, end);
}

std::vector<double> draw_added(double inertia, Dice& dice) {
  const int how = dice.below(8);
  const bool several = how == 3 || how == 4;  // small discs, so that all of them are not too much
  const double one = inertia * (several ? dice.uniform(0.25, 0.5) : dice.uniform(0.3, 1.3));
  const double two = one * dice.uniform(1.6, 2.0);
  switch (how) {
    case 0:
      return {one, 0.0};
    case 1:
      return {0.0, one, 0.0};
    case 2:
      return {0.0, 0.0, one, one};
    case 3:
      return {0.0, one, two};
    case 4:
      return {0.0, one, two, one + two};
    default:
      return {0.0, one};
  }
}

Manner draw_manner(Dice& dice) {
  Manner manner;
  manner.before = dice.of({-0.3, 0.0, 0.5, 1.0, 2.0});
  manner.release = dice.of({0.0, 0.0, 0.04, 0.1, 0.2});
  manner.before = std::max(manner.before, manner.before < 0 ? -0.3 - manner.release : 0.0);
  manner.after = dice.of({0.0, 0.0, 0.3, 2.0});
  manner.cut = dice.chance(0.15) ? dice.uniform(0.04, 0.12) : 0.0;
  return manner;
}

// An instrument and a run-down that suit each other: enough values, enough pulses.
Tachometer draw_suitable(const std::string& kind, double top_rpm, double* span, Dice& dice) {
  for (;;) {
    Tachometer o = draw_tachometer(kind, top_rpm, false, dice);
    const double least = std::max({2.0, 14.0 * o.slowness(0.5 * top_rpm), 30.0 / o.rows.rate,
                                   60.0 / (0.4 * top_rpm / 60.0 * o.disc.pulses)});
    const bool counts = o.base != "gate" || 0.5 * top_rpm / 60.0 * o.disc.pulses * o.gate >= 30.0;
    if (least > 25.0 || !counts) continue;
    *span = dice.log_uniform(least, 30.0);
    return o;
  }
}

Facts facts_of(const Machine& m, const Manner& manner, double span) {
  Facts facts;
  double ripple = 0.0, crank = 0.0;
  for (const Swing& swing : m.ripple) ripple += swing.amount;
  for (const Swing& swing : m.crank) crank += swing.amount;
  facts.add("top_rpm", m.top * kRpm);
  facts.add("span", span);
  facts.add("ripple", ripple / m.c0);
  facts.add("crank", crank / m.inertia);
  facts.add("noise", m.noise_sd);
  facts.add("noise_memory", m.noise_memory);
  facts.add("before", manner.before);
  facts.add("release", manner.release);
  facts.add("after", manner.after);
  if (manner.cut > 0) facts.add("cut", manner.cut);
  return facts;
}

}  // namespace

Bench make_coast(const std::string& kind, Dice& dice) {
  const double top_rpm = dice.uniform(400, 1800);
  double span = 0.0;
  const Tachometer o = draw_suitable(kind, top_rpm, &span, dice);
  const Machine m = draw_machine(top_rpm, span, dice);
  const Manner manner = draw_manner(dice);
  Bench bench;
  bench.added = draw_added(m.inertia, dice);
  for (const double added : bench.added) {
    const double top = m.top * dice.uniform(0.92, 1.0);
    const Motion motion = coast_down(m, added, top, manner.release, span, dice);
    const double end =
        manner.cut > 0 ? motion.below(manner.cut * top) : motion.below(1e-6) + manner.after;
    bench.tables.push_back(
        table_of("handwheel_rpm", read(o, motion, -manner.before, end, dice), o));
  }
  bench.truth.add("c0", m.c0);
  bench.truth.add("c1", m.c1);
  bench.truth.add("c2", m.c2);
  bench.truth.add("inertia", m.inertia);
  bench.o = o.facts();
  bench.info = facts_of(m, manner, span);
  return bench;
}

}  // namespace benches
