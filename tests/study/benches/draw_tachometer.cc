// Which instruments there are and how each is drawn.
#include <cmath>

#include "tachometer.h"

namespace benches {

namespace {

Disc draw_disc(bool motor, Dice& dice) {
  Disc disc;
  disc.pulses = motor ? dice.of({1, 1, 2, 2, 3, 4, 5, 6, 8, 10, 12, 16, 24, 40})
                      : dice.of({1, 1, 2, 3, 4, 5, 8, 10, 15, 16, 18, 24, 32, 40, 48, 60, 72});
  const double slot = 6.283185307 / disc.pulses;
  disc.place_sd = std::min(dice.of({0.0, 0.0005, 0.002, 0.005, 0.01}), 0.03 * slot);
  disc.eccentricity = dice.of({0.0, 0.0, 0.002, 0.006});
  disc.tick = dice.of({1e-7, 5e-7, 1e-6, 2e-6, 4e-6});
  return disc;
}

void draw_base(Tachometer& o, double top_rpm, bool motor, Dice& dice) {
  const int n = o.disc.pulses;
  if (o.base == "last-pulses") o.pulses_back = dice.of({n, n, 2 * n, std::max(1, n / 2)});
  if (o.base == "gate") {
    o.disc.pulses = motor ? dice.of({6, 12, 20, 40, 60}) : dice.of({20, 30, 36, 60, 100, 200, 360});
    o.gate = dice.of({0.1, 0.125, 0.2, 0.25, 0.5});
    o.own_pace = true;
  }
  if (o.base == "voltage") {
    o.disc.pulses = motor ? dice.of({4, 6, 8, 12, 24}) : dice.of({24, 30, 36, 48, 60, 90});
    o.lag1 = dice.log_uniform(0.015, 0.09), o.lag2 = o.lag1 * dice.uniform(0.3, 0.9);
    o.bits = dice.of({8, 10, 10, 12, 12, 14});
    o.full_scale = std::ceil(top_rpm * dice.uniform(1.1, 2.0) / 500.0) * 500.0;
    o.noise = dice.of({0.0, 0.0003, 0.001, 0.002}) * o.full_scale;
  }
  if (o.base == "smoothing") {
    o.renew = dice.of({0.0, 0.05, 0.1, 0.2});
    o.share = dice.uniform(0.15, 0.7);
  }
  if (o.base == "median") o.values = dice.of({3, 5});
  if (o.base == "moving-average") {
    o.renew = dice.of({0.0, 0.05, 0.1, 0.15});
    o.values = 2 + dice.below(9);
  }
  if (o.base == "hand") {
    o.disc.pulses = 1;
    o.renew = dice.of({0.8, 1.0, 1.0});
  }
  if (o.base == "encoder")
    o.disc.pulses =
        motor ? dice.of({48, 100, 256, 400}) : dice.of({100, 200, 400, 512, 1000, 2400});
}

void draw_rows(Tachometer& o, Dice& dice) {
  o.rows.rate = dice.of({5.0, 8.0, 10.0, 15.0, 20.0, 25.0, 40.0, 50.0, 60.0, 100.0, 125.0, 200.0});
  o.rows.irregular = dice.of({0.0, 0.0, 0.0, 0.003, 0.05});
  o.rows.stamp_step = dice.of({1e-3, 1e-3, 1e-4, 1e-6});
  o.digit = dice.of({0.001, 0.01, 0.1, 0.1, 1.0});
  o.timeout = dice.of({0.0, 0.0, 1.0, 2.0});
  if (o.base == "hand") {
    o.rows.rate = dice.of({2.0, 4.0, 5.0, 10.0});
    o.digit = dice.of({0.1, 1.0});
  }
  if (o.base == "voltage") o.digit = 0.1;
}

std::string draw_base_of(const std::string& kind, Dice& dice) {
  if (kind == "reciprocal") return "between-edges";
  if (kind == "last-pulse") return "last-pulses";
  if (kind == "gate-pause") return "gate";
  if (kind == "lost-pulses" || kind == "doubled-pulses")
    return dice.of<const char*>({"between-edges", "between-edges", "last-pulses"});
  if (kind == "stamps")
    return dice.of<const char*>({"between-edges", "last-pulses", "voltage", "encoder"});
  if (kind == "coarse") return dice.of<const char*>({"between-edges", "last-pulses"});
  if (kind == "polled") return dice.of<const char*>({"last-pulses", "median", "smoothing", "gate"});
  return kind;
}

// What makes the kind what it is, beside its working principle.
void draw_peculiarity(Tachometer& o, double top_rpm, Dice& dice) {
  if (o.kind == "last-pulse") {
    o.pulses_back = 1;
    o.disc.tick = dice.of({1e-7, 5e-7});
  }
  if (o.kind == "gate-pause") o.pause = o.gate * dice.uniform(0.1, 1.0);
  if (o.kind == "gate-pause") o.own_pace = dice.chance(0.6);
  if (o.kind == "lost-pulses") o.disc.lost = 30 + dice.below(271);
  if (o.kind == "doubled-pulses") o.disc.doubled = 30 + dice.below(271);
  // A pulse too many or too few is told from the whole turn's period, never from a single slot's.
  if (o.disc.lost + o.disc.doubled > 0) o.pulses_back = o.disc.pulses;
  if (o.kind == "stamps") {
    const int how = dice.below(3);
    o.rows.stamp_step = how == 0 ? 0.01 : 1e-3;
    o.rows.stamp_jitter = how == 2 ? dice.uniform(0.001, 0.005) : 0.0;
    o.rows.rate = std::min(o.rows.rate, 100.0);
  }
  if (o.kind == "coarse") o.digit = top_rpm < 1000 ? 5.0 : dice.of({5.0, 10.0});
  if (o.kind == "polled") {
    o.own_pace = false;
    o.rows.irregular = dice.uniform(0.1, 0.4);
    o.rows.gaps = dice.below(4);
  }
}

}  // namespace

const std::vector<std::string>& tachometer_kinds() {
  static const std::vector<std::string> kinds = {
      "reciprocal", "last-pulse",     "last-pulses",    "gate",  "gate-pause", "voltage",
      "smoothing",  "median",         "moving-average", "hand",  "encoder",    "lost-pulses",
      "stamps",     "doubled-pulses", "coarse",         "polled"};
  return kinds;
}

Tachometer draw_tachometer(const std::string& kind, double top_rpm, bool motor, Dice& dice) {
  Tachometer o;
  o.kind = kind;
  o.base = draw_base_of(kind, dice);
  o.disc = draw_disc(motor, dice);
  draw_base(o, top_rpm, motor, dice);
  draw_rows(o, dice);
  draw_peculiarity(o, top_rpm, dice);
  if (o.own_pace) o.rows.rate = 1.0 / (o.gate + o.pause);
  return o;
}

double Tachometer::slowness(double rpm) const {
  const double turn = 60.0 / rpm, row = 1.0 / rows.rate, step = renew > 0.0 ? renew : turn;
  if (base == "last-pulses") return row + pulses_back * turn / disc.pulses;
  if (base == "gate") return row + gate + pause;
  if (base == "voltage") return row + lag1 + lag2;
  if (base == "smoothing") return row + step / share;
  if (base == "median" || base == "moving-average") return row + step * values;
  if (base == "hand") return row + renew;
  return row + turn / disc.pulses;
}

Facts Tachometer::facts() const {
  Facts facts;
  facts.add("base", base);
  facts.add("pulses", disc.pulses);
  facts.add("rate", rows.rate);
  if (own_pace) facts.add("own_pace", 1);
  if (base != "encoder") {
    facts.add("place_sd", disc.place_sd);
    facts.add("eccentricity", disc.eccentricity);
    facts.add("tick", disc.tick);
  }
  if (base == "last-pulses") facts.add("pulses_back", pulses_back);
  if (base == "gate") facts.add("gate", gate), facts.add("pause", pause);
  if (base == "voltage") {
    facts.add("lags", std::vector<double>{lag1, lag2});
    facts.add("bits", bits);
    facts.add("full_scale", full_scale);
    facts.add("noise", noise);
  }
  if (base == "smoothing") facts.add("renew", renew), facts.add("share", share);
  if (base == "median") facts.add("values", values);
  if (base == "moving-average") facts.add("renew", renew), facts.add("values", values);
  if (base == "hand") facts.add("renew", renew);
  if (disc.lost > 0) facts.add("lost_one_in", disc.lost);
  if (disc.doubled > 0) facts.add("doubled_one_in", disc.doubled);
  if (rows.irregular > 0) facts.add("irregular", rows.irregular);
  if (rows.gaps > 0) facts.add("gaps", rows.gaps);
  facts.add("digit", digit);
  facts.add("stamp_step", rows.stamp_step);
  if (rows.stamp_jitter > 0) facts.add("stamp_jitter", rows.stamp_jitter);
  if (timeout > 0) facts.add("timeout", timeout);
  return facts;
}

}  // namespace benches
