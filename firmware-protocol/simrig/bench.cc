#include "firmware-protocol/simrig/bench.h"

#include <algorithm>
#include <cmath>

#include "db/basis/units.h"
#include "firmware-protocol/simrig/loads.h"
#include "firmware-protocol/simrig/motor.h"
#include "firmware-protocol/simrig/sensors.h"
#include "firmware-protocol/simrig/supply.h"

namespace loadline::simrig {
namespace {

constexpr double kSpinUpByHand_s = 1.5;    ///< the wheel is brought to speed in this time
constexpr double kSupplyAverage_s = 0.05;  ///< of the supply channel, twice in a row

struct State {
  double e = 0.0, wm = 0.0, am = 0.0, wh = 0.0, ah = 0.0;
};

State moved(const State& s, const State& slope, double h) {
  return {s.e + h * slope.e, s.wm + h * slope.wm, s.am + h * slope.am, s.wh + h * slope.wh,
          s.ah + h * slope.ah};
}

double step_seconds(const Scenario& s) {
  if (s.run.step_us > 0.0) return s.run.step_us * 1e-6;
  return s.supply.hz > 0.0 ? 1.0 / (200.0 * s.supply.hz) : 1e-4;
}

/// What is mounted for a kind of run.
struct Mounted {
  bool motor, machine, belt, held, brake;
};

Mounted mounted(const Scenario& s) {
  switch (s.run.play) {
    case Play::kRest:
      return {false, false, false, false, false};
    case Play::kNoLoad:
    case Play::kSpinUp:
      return {true, false, false, false, false};
    case Play::kBrake:
      return {true, false, false, false, true};
    case Play::kCoastDown:
      return {s.machine.subject != "machine", s.machine.subject != "motor",
              s.machine.subject == "both", false, false};
    case Play::kDriven:
    case Play::kTopSpeed:
      return {true, true, true, false, false};
    case Play::kSlipCheck:
      return {true, false, true, true, false};
  }
  return {};
}

}  // namespace

struct Bench::Parts {
  Parts(const Scenario& scenario, std::uint64_t seed);

  double action() const { return time - switch_at; }
  double action_length() const { return spec.action_seconds(); }
  double setting_volts(double action_s) const;
  double hand_speed(double action_s) const;
  State slope(const State& s, double v) const;
  void step();
  void plan_step();
  void settle(State& next);
  void warm();
  void account(const State& before, const State& after);
  double cell_torque(const State& s) const;
  double holding(double speed) const;
  double against_wheel(double speed, double angle) const;

  Scenario spec;
  Mounted on;
  double h;
  double jm, jh;
  Motor motor;
  Supply supply;
  Brake brake;
  Belt belt;
  LoadCell cell;
  Tachometer motor_tach, handwheel_tach;
  Dice channel_noise;

  std::int64_t wander_every, chatter_every;  ///< in steps
  std::int64_t steps = 0;
  double time = 0.0;
  double switch_at;
  double extra_s = 0.0;  ///< played on after the end
  State state;
  bool motor_stuck = true, wheel_stuck = true;
  double winding_c, case_c;
  Energy energy;
  double first_square_v = 0.0, mean_square_v = 0.0;  ///< at the motor's terminals, averaged twice

  // Fixed within a step.
  double volts = 0.0;   ///< rms or d.c. at the switch
  bool closed = false;  ///< the circuit
  bool forced = false;  ///< the hand turns the wheel
  double brake_setting = 0.0;
  double v0 = 0.0, v_half = 0.0, v1 = 0.0;
  double torque_before = 0.0, torque_now = 0.0;  ///< what the arm feels at both ends
};

Bench::Parts::Parts(const Scenario& scenario, std::uint64_t seed)
    : spec(scenario),
      on(mounted(scenario)),
      h(step_seconds(scenario)),
      jm(scenario.motor.inertia_kgm2),
      jh(scenario.machine.inertia_kgm2 + scenario.machine.added_kgm2),
      motor(scenario.motor, scenario.supply),
      supply(scenario.supply, seed),
      brake(scenario.brake, seed),
      belt(scenario.belt, scenario.ratio()),
      cell(scenario.cell, seed),
      motor_tach(scenario.motor_tach, seed, 20),
      handwheel_tach(scenario.handwheel_tach, seed, 21),
      channel_noise(seed, 22),
      wander_every(std::max<std::int64_t>(1, std::llround(Supply::kWanderStep / h))),
      chatter_every(std::max<std::int64_t>(1, std::llround(Brake::kChatterStep / h))),
      switch_at(scenario.run.lead_s),
      winding_c(scenario.motor.start_c),
      case_c(scenario.motor.start_c) {
  if (on.brake) jm += spec.brake.drum_kgm2;
  if (spec.run.play == Play::kSpinUp) jm += spec.flywheel.inertia_kgm2;
  if (spec.run.play == Play::kCoastDown && spec.machine.subject == "motor")
    jm += spec.machine.added_kgm2;
}

/// Voltage of the setting in force, 0 when the switch is off.
double Bench::Parts::setting_volts(double action_s) const {
  if (!on.motor || action_s < 0.0) return 0.0;
  double on_s = spec.run.on_s;
  if (on_s <= 0.0) on_s = spec.run.play == Play::kCoastDown ? 5.0 : action_length();
  if (action_s >= std::min(on_s, action_length())) return 0.0;
  if (spec.run.play != Play::kDriven || spec.supply.levels_v.empty()) return spec.supply.volts;
  const auto level = static_cast<std::size_t>(action_s / spec.supply.level_s);
  return spec.supply.levels_v[std::min(level, spec.supply.levels_v.size() - 1)];
}

/// Speed to which the hand forces the wheel before a coast-down, negative when it lets go.
double Bench::Parts::hand_speed(double action_s) const {
  if (spec.run.play != Play::kCoastDown || on.motor || action_s < 0.0) return -1.0;
  if (action_s >= kSpinUpByHand_s + spec.machine.hold_s) return -1.0;
  const double part = std::min(1.0, action_s / kSpinUpByHand_s);
  return rad_per_s_from_rpm(spec.machine.start_rpm) * part * part * (3.0 - 2.0 * part);
}

State Bench::Parts::slope(const State& s, double v) const {
  State d;
  double passed_on = 0.0;
  if (on.belt) passed_on = belt.torque(s.wm, s.wh);
  if (on.motor) {
    if (closed) d.e = motor.electrical_slope(s.e, s.wm, v);
    if (!motor_stuck) {
      const double lost = on.belt ? belt.loss(s.wm, s.am) : 0.0;
      const double braked = on.brake ? brake.torque(brake_setting, s.wm) : 0.0;
      d.wm = (motor.torque(s.e) - motor.friction(s.wm) - braked - lost - passed_on) / jm;
      d.am = s.wm;
    }
  }
  if (on.machine && !forced && !wheel_stuck) {
    d.wh = (belt.ratio() * passed_on - against_wheel(s.wh, s.ah)) / jh;
    d.ah = s.wh;
  }
  return d;
}

/// What holds the motor's shaft at rest beyond its own friction.
double Bench::Parts::holding(double speed) const {
  double torque = 0.0;
  if (on.brake && brake.holds_at_rest()) torque += brake.torque(brake_setting, speed);
  if (on.belt) torque += belt.mean_loss(speed);
  return torque;
}

/// What the machine and its seam ask at the hand wheel.
double Bench::Parts::against_wheel(double speed, double angle) const {
  const double since = action() - spec.machine.seam_at_s;
  const bool sews = since >= 0.0 && since < spec.machine.seam_s;
  return machine_drag(spec.machine, speed, angle) + (sews ? seam_torque(spec.machine, angle) : 0.0);
}

double Bench::Parts::cell_torque(const State& s) const {
  if (spec.run.play == Play::kRest) {
    const double swing = spec.cell.direction == "down" ? 1.0 + spec.cell.hysteresis : 1.0;
    return spec.cell.mass_g * 1e-3 * spec.cell.local_g * spec.cell.arm_mm * 1e-3 * swing;
  }
  if (!on.motor) return 0.0;
  const double made = motor.torque(s.e);
  if (spec.cell.position == "motor")
    return motor_stuck ? std::max(0.0, made - motor.friction(0.0)) : made - motor.friction(s.wm);
  if (on.held) return belt.ratio() * belt.torque(s.wm, 0.0);
  if (!on.brake) return 0.0;
  const double set = brake.torque(brake_setting, s.wm);
  return motor_stuck ? std::min(set, std::max(0.0, made - motor.friction(0.0))) : set;
}

/// Decides what is fixed within the step that begins now.
void Bench::Parts::plan_step() {
  const double a = action();
  const double setting = setting_volts(a);
  const bool was_closed = closed;
  closed = setting > 0.0;
  volts = supply.rms(setting);
  if (was_closed && !closed) state.e = 0.0;  // the arc is short
  if (spec.motor.kind == MotorKind::kInduction) {
    v0 = v_half = v1 = volts;
  } else {
    v0 = v1;
    v_half = supply.instant(volts, time + 0.5 * h);
    v1 = supply.instant(volts, time + h);
    if (!was_closed) v0 = supply.instant(volts, time);
  }
  const bool was_forced = forced;
  forced = hand_speed(a) >= 0.0;
  if (forced || was_forced) wheel_stuck = false;
  brake_setting = on.brake && a >= 0.0 && a < action_length() ? brake.setting(a) : 0.0;
  const double passed_on = on.belt ? belt.torque(state.wm, state.wh) : 0.0;
  // Stuck means held: without friction nothing holds.
  const double hold = motor.friction(0.0) + holding(0.0);
  motor_stuck = motor_stuck && hold > 0.0 && motor.torque(state.e) - passed_on <= hold;
  const double drag = against_wheel(0.0, state.ah);
  wheel_stuck = wheel_stuck && drag > 0.0 && belt.ratio() * passed_on <= drag;
}

/// A shaft that would turn backwards has come to rest.
void Bench::Parts::settle(State& next) {
  if (forced) {
    next.wh = hand_speed(action() + h);
    if (next.wh < 0.0) next.wh = hand_speed(action());
    next.ah = state.ah + 0.5 * h * (state.wh + next.wh);
  }
  if (next.wm < 0.0) {
    next.wm = 0.0;
    next.am = std::max(next.am, state.am);
    motor_stuck = true;
  }
  if (next.wh < 0.0) {
    next.wh = 0.0;
    next.ah = std::max(next.ah, state.ah);
    wheel_stuck = true;
  }
}

/// Two thermal masses: winding and case.
void Bench::Parts::warm() {
  const double heat =
      closed ? motor.copper_loss(state.e, state.wm, volts) +
                   (spec.motor.kind == MotorKind::kInduction ? 0.0 : motor.brush_loss(state.e))
             : 0.0;
  const double across = (winding_c - case_c) / spec.motor.winding_k_per_w;
  const double away = (case_c - spec.motor.ambient_c) / spec.motor.case_k_per_w;
  winding_c += h * (heat - across) / spec.motor.winding_j_per_k;
  case_c += h * (across - away) / spec.motor.case_j_per_k;
  motor.set_winding(winding_c);
}

/// Trapezoidal sums of the powers at both ends of the step.
void Bench::Parts::account(const State& before, const State& after) {
  const auto add = [&](const State& s, double v) {
    const double half = 0.5 * h;
    if (on.motor) {
      const double passed_on = on.belt ? belt.torque(s.wm, s.wh) : 0.0;
      if (spec.motor.kind == MotorKind::kInduction) {
        energy.supplied +=
            half * s.e * s.wm;  // at the air gap: the circuit is not resolved in time
      } else if (closed) {
        energy.supplied += half * v * s.e;
        energy.resistance += half * motor.circuit_ohm() * s.e * s.e;
        energy.brushes += half * motor.brush_loss(s.e);
      }
      if (!motor_stuck) {
        energy.own_friction += half * motor.friction(s.wm) * s.wm;
        if (on.brake) energy.brake += half * brake.torque(brake_setting, s.wm) * s.wm;
        if (on.belt) energy.belt += half * belt.loss(s.wm, s.am) * s.wm;
      }
      if (on.belt) energy.belt += half * passed_on * (s.wm - belt.ratio() * s.wh);
    }
    if (on.machine) energy.machine += half * against_wheel(s.wh, s.ah) * s.wh;
  };
  add(before, v0);
  add(after, v1);
  if (forced) {
    energy.pushed += 0.5 * jh * (after.wh * after.wh - before.wh * before.wh);
    const double drag = against_wheel(before.wh, before.ah) * before.wh +
                        against_wheel(after.wh, after.ah) * after.wh;
    energy.pushed += 0.5 * h * drag;
  }
}

void Bench::Parts::step() {
  plan_step();
  const State k1 = slope(state, v0);
  const State k2 = slope(moved(state, k1, 0.5 * h), v_half);
  const State k3 = slope(moved(state, k2, 0.5 * h), v_half);
  const State k4 = slope(moved(state, k3, h), v1);
  const auto mean = [](double a, double b, double c, double d) {
    return (a + 2.0 * b + 2.0 * c + d) / 6.0;
  };
  State next = moved(state,
                     {mean(k1.e, k2.e, k3.e, k4.e), mean(k1.wm, k2.wm, k3.wm, k4.wm),
                      mean(k1.am, k2.am, k3.am, k4.am), mean(k1.wh, k2.wh, k3.wh, k4.wh),
                      mean(k1.ah, k2.ah, k3.ah, k4.ah)},
                     h);
  settle(next);
  account(state, next);
  warm();
  if (on.motor) motor_tach.pass(state.am, next.am, state.wm, next.wm, time, h);
  if (on.machine) handwheel_tach.pass(state.ah, next.ah, state.wh, next.wh, time, h);
  const double terminal =
      closed ? v1 - (spec.motor.kind == MotorKind::kInduction
                         ? 0.0
                         : (spec.supply.source_ohm + spec.supply.series_ohm) * next.e)
             : 0.0;
  first_square_v += h / kSupplyAverage_s * (terminal * terminal - first_square_v);
  mean_square_v += h / kSupplyAverage_s * (first_square_v - mean_square_v);
  torque_before = torque_now;
  state = next;
  torque_now = cell_torque(state);
  ++steps;
  time = static_cast<double>(steps) * h;
  if (steps % wander_every == 0) supply.advance();
  if (steps % chatter_every == 0) brake.advance();
}

Bench::Bench(const Scenario& scenario, std::uint64_t seed)
    : parts_(std::make_unique<Parts>(scenario, seed)) {}
Bench::~Bench() = default;
Bench::Bench(Bench&&) noexcept = default;
Bench& Bench::operator=(Bench&&) noexcept = default;

bool Bench::next(Moment& moment) {
  Parts& p = *parts_;
  // The cell runs one step behind the shafts: a conversion ends inside a step that is known at
  // both ends.
  double after = 0.0;
  while (true) {
    if (p.cell.due(p.time > 0.0 ? p.h : 0.0, &after)) break;
    if (p.time > 0.0) p.cell.pass(p.torque_before, p.torque_now, p.h);
    if (p.time >= end_s()) return false;
    p.step();
  }
  const double begin = p.time - p.h;
  moment.time_s = begin + after;
  moment.torque_counts =
      p.cell.convert(p.torque_before, p.torque_now, p.h, after, p.case_c - p.spec.motor.start_c);
  const double noise = p.spec.supply.noise_counts * p.channel_noise.normal();
  moment.supply_counts = static_cast<std::int32_t>(
      std::lround(std::sqrt(p.mean_square_v) / p.spec.supply.volts_per_count + noise));
  moment.temperature_counts = static_cast<std::int32_t>(std::lround(
      (p.case_c - kTemperatureOffset) / kTemperaturePerCount + 0.3 * p.channel_noise.normal()));
  p.motor_tach.take_until(moment.time_s, moment.motor_edges);
  p.handwheel_tach.take_until(moment.time_s, moment.handwheel_edges);
  moment.truth = state();
  return true;
}

void Bench::start_command() {
  if (!switched()) parts_->switch_at = parts_->time + parts_->spec.run.lead_s;
}

void Bench::play_on() {
  parts_->extra_s = parts_->time - end_s() + parts_->extra_s + parts_->spec.run.tail_s;
}

bool Bench::switched() const { return parts_->action() >= 0.0; }
double Bench::time_s() const { return parts_->time; }
double Bench::end_s() const {
  return parts_->switch_at + parts_->action_length() + parts_->spec.run.tail_s + parts_->extra_s;
}

TrueState Bench::state() const {
  const Parts& p = *parts_;
  TrueState t;
  t.time_s = p.time;
  t.action_s = p.action();
  t.motor_speed = p.state.wm;
  t.handwheel_speed = p.state.wh;
  t.motor_angle = p.state.am;
  t.handwheel_angle = p.state.ah;
  t.electrical = p.state.e;
  t.net_torque = p.on.motor ? p.motor.torque(p.state.e) - p.motor.friction(p.state.wm) : 0.0;
  t.cell_torque = p.torque_now;
  t.supply_v = p.volts;
  t.winding_c = p.winding_c;
  t.case_c = p.case_c;
  return t;
}

Energy Bench::energy() const {
  const Parts& p = *parts_;
  Energy energy = p.energy;
  if (p.on.motor) {
    energy.kinetic += 0.5 * p.jm * p.state.wm * p.state.wm;
    if (p.spec.motor.kind != MotorKind::kInduction)
      energy.magnetic = p.motor.magnetic_energy(p.state.e);
  }
  if (p.on.machine) energy.kinetic += 0.5 * p.jh * p.state.wh * p.state.wh;
  return energy;
}

double Bench::motor_side_inertia() const { return parts_->jm; }
double Bench::handwheel_side_inertia() const { return parts_->jh; }

}  // namespace loadline::simrig
