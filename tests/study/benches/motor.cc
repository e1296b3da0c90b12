#include "motor.h"
#include "motion.h"

#include <algorithm>
#include <cmath>

namespace benches {

namespace {

// A line bent by the field that the armature's own current weakens: with the current x as a share
// of its standstill value and u = ω/ω₀, 1 = x + (1 − bend·x)·u and T ∝ (1 − bend·x)·x.
std::function<double(double)> bent(double stall, double ideal_top, double bend) {
  return [=](double w) {
    const double u = w / ideal_top, x = (1.0 - u) / (1.0 - bend * u);
    return stall * (1.0 - bend * x) * x / (1.0 - bend);
  };
}

// A series motor whose iron saturates: flux 1 − exp(−i/knee), EMF = flux·speed, i by bisection.
// Unit of current: what the resistance alone would let through.
std::function<double(double)> saturating(double stall, double unit_speed, double x, double knee) {
  const auto relative = [=](double w) {
    const double u = w / unit_speed;
    double low = 0.0, high = 1.0;
    for (int i = 0; i < 60; ++i) {
      const double c = 0.5 * (low + high), flux = 1.0 - std::exp(-c / knee);
      (std::hypot(c + flux * u, c * x) < 1.0 ? low : high) = c;
    }
    return (1.0 - std::exp(-low / knee)) * low;
  };
  const double at_rest = relative(0.0);
  return [=](double w) { return stall * relative(w) / at_rest; };
}

// Pull-out torque at slip sb; a single phase adds a backward field, `backward` as strong.
std::function<double(double)> induction(double pull_out, double sync, double sb, double backward) {
  const auto field = [=](double slip) { return 2.0 * pull_out / (slip / sb + sb / slip); };
  return [=](double w) {
    const double s = 1.0 - w / sync;
    return (s == 0.0 ? 0.0 : field(s)) - backward * field(2.0 - s);
  };
}

Motor draw_series(Dice& dice) {
  const double top = dice.uniform(5500, 15000) / kRpm, stall = dice.uniform(0.1, 0.55);
  const double r = top * dice.uniform(0.13, 0.35), x = r * dice.uniform(0.3, 1.2);
  SeriesCircuit c;
  c.ohms = 10.0, c.volt_seconds = c.ohms / r, c.reactance_ohms = c.volt_seconds * x;
  // Volts that give the standstill torque; the scale of the current does not matter here.
  c.volts = std::sqrt(stall / c.volt_seconds) * std::hypot(c.ohms, c.reactance_ohms);
  return Motor(
      "series", [c](double w) { return c.torque(w); }, top, dice.uniform(0.15, 0.7));
}

Motor draw_direct(const std::string& kind, Dice& dice) {
  const double ideal = dice.uniform(5000, 14000) / kRpm, stall = dice.uniform(0.08, 0.5);
  const double top = ideal * dice.uniform(0.93, 0.99);
  const double bend = kind == "bent" ? dice.uniform(0.05, 0.25) : 0.0;
  return Motor(kind, bent(stall, ideal, bend), top, 1.0);
}

Motor draw_saturating(Dice& dice) {
  const double top = dice.uniform(6000, 14000) / kRpm, stall = dice.uniform(0.12, 0.5);
  const double unit = top * dice.uniform(0.2, 0.4);
  return Motor("saturating", saturating(stall, unit, dice.uniform(0.4, 1.2), dice.uniform(0.4, 1)),
               top, dice.uniform(0.2, 0.7));
}

Motor draw_induction(const std::string& kind, Dice& dice) {
  const double sync = dice.of({3000.0, 3000.0, 3600.0, 1500.0}) / kRpm;
  const double sb = dice.uniform(0.15, 0.45), pull_out = dice.uniform(0.25, 0.9);
  const double backward = kind == "capacitor" ? dice.uniform(0.04, 0.15) : 0.0;
  return Motor(kind, induction(pull_out, sync, sb, backward), sync * dice.uniform(0.985, 0.995),
               dice.uniform(0.3, 0.8));
}

}  // namespace

double SeriesCircuit::current(double speed) const {
  return volts / std::hypot(ohms + volt_seconds * speed, reactance_ohms);
}

double SeriesCircuit::torque(double speed) const {
  const double i = current(speed);
  return volt_seconds * i * i;
}

Motor::Motor(std::string name, std::function<double(double)> electric, double top_speed,
             double bearing)
    : kind(std::move(name)), top(top_speed) {
  bearing_ = bearing * electric(top);
  fan_ = (1.0 - bearing) * electric(top) / (top * top);
  constexpr int kSteps = 2000;
  step_ = 1.1 * top / kSteps;
  for (int i = -1; i <= kSteps + 2; ++i) {
    const double w = i * step_;
    table_.push_back(electric(w) - bearing_ - fan_ * w * w);
  }
}

// Cubic through four neighbours of the table, which is fine enough for seven digits.
double Motor::torque(double speed) const {
  const double last = static_cast<double>(table_.size()) - 3.0;
  const double x = std::clamp(speed / step_ + 1.0, 1.0, last);
  const auto i = std::min(static_cast<std::size_t>(x), table_.size() - 3);
  const double f = x - static_cast<double>(i);
  const double a = table_[i - 1], b = table_[i], c = table_[i + 1], d = table_[i + 2];
  return b + 0.5 * f * (c - a + f * (2 * a - 5 * b + 4 * c - d + f * (3 * (b - c) + d - a)));
}

double Motor::friction(double speed) const { return bearing_ + fan_ * speed * speed; }

Facts Motor::truth() const {
  double best = 0.0, at = 0.0;
  constexpr int kFine = 200000;
  for (int i = 1; i < kFine; ++i) {
    const double w = top * i / kFine, power = w * torque(w);
    if (power > best) best = power, at = w;
  }
  Facts facts;
  facts.add("stall_torque", torque(0.0));
  facts.add("no_load_speed", top * kRpm);
  facts.add("peak_power", best);
  facts.add("peak_power_speed", at * kRpm);
  return facts;
}

Motor draw_motor(Dice& dice) {
  const std::string kind =
      dice.of<const char*>({"series", "series", "series", "magnet", "magnet", "bent", "saturating",
                            "saturating", "induction", "capacitor"});
  Motor motor = kind == "series"                             ? draw_series(dice)
                : kind == "saturating"                       ? draw_saturating(dice)
                : kind == "induction" || kind == "capacitor" ? draw_induction(kind, dice)
                                                             : draw_direct(kind, dice);
  motor.inertia = dice.log_uniform(4e-5, 3e-4);
  // A series motor may run on direct current too.
  const bool direct = kind == "magnet" || kind == "bent" || (kind == "series" && dice.chance(0.3));
  motor.mains_hz = direct ? 0.0 : dice.of({50.0, 60.0});
  return motor;
}

}  // namespace benches
