#include "fit/drive/points/seam_turn.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace loadline {
namespace {

constexpr double kTurn = 2 * std::numbers::pi;
constexpr int kMostTurns = 40;
constexpr double kSettled = 1e-7;  // of the energy, from turn to turn
constexpr double kStands = 1e-6;   // of the energy at the beginning: the machine stands

// Torques at the hand wheel at one speed of it.
struct Torques {
  double given, dragged;
};

Torques torques_at(const DriveCurve& motor, const DriveCurve& machine, const LoadLine& line,
                   double wheel) {
  const double ratio = line.ratio.value;
  double at_motor = wheel * ratio / (1 - line.slip.value);
  double carried = motor.torque(at_motor) - line.belt_loss.value;
  if (line.creep.value != 0) {
    at_motor = wheel * ratio / (1 - slip_at(line, carried));
    carried = motor.torque(at_motor) - line.belt_loss.value;
  }
  if (line.capacity) carried = std::min(carried, line.capacity->value);
  return {ratio * carried, machine.torque(wheel) + line.extra.value};
}

// What is followed over the angle: kinetic energy and, beside it, work given, work dragged, time.
struct State {
  double energy = 0, given = 0, dragged = 0, time = 0;
  State plus(const State& rate, double step) const {
    return {energy + step * rate.energy, given + step * rate.given, dragged + step * rate.dragged,
            time + step * rate.time};
  }
};

class Turning {
 public:
  Turning(const DriveCurve& motor, const DriveCurve& machine, const LoadLine& line, double inertia,
          const SeamPush& push)
      : motor_(motor), machine_(machine), line_(line), inertia_(inertia), push_(push) {}

  double speed(double energy) const { return std::sqrt(2 * std::max(energy, 0.0) / inertia_); }

  State step(const State& from, double angle, double h) const {
    const State k1 = rate(from, angle), k2 = rate(from.plus(k1, h / 2), angle + h / 2);
    const State k3 = rate(from.plus(k2, h / 2), angle + h / 2);
    const State k4 = rate(from.plus(k3, h), angle + h);
    return from.plus(k1, h / 6).plus(k2, h / 3).plus(k3, h / 3).plus(k4, h / 6);
  }

 private:
  State rate(const State& at, double angle) const {
    const double wheel = speed(at.energy);
    const Torques torques = torques_at(motor_, machine_, line_, wheel);
    return {torques.given - torques.dragged - push_.torque(angle), torques.given, torques.dragged,
            1 / std::max(wheel, 1e-9)};
  }

  const DriveCurve &motor_, &machine_;
  const LoadLine& line_;
  double inertia_;
  const SeamPush& push_;
};

}  // namespace

double SeamPush::torque(double angle) const {
  const double into = angle - first;
  if (into <= 0 || into >= width) return 0;
  const double s = std::sin(std::numbers::pi * into / width);
  return work * 2 / width * s * s;
}

SeamTurn sew_seam(const DriveCurve& motor, const DriveCurve& machine, const LoadLine& line,
                  double inertia, double speed, const SeamPush& push, int steps_per_turn) {
  const Turning turning(motor, machine, line, inertia, push);
  const double at_start = inertia * speed * speed / 2;
  SeamTurn result;
  State state;
  state.energy = at_start;
  double least = state.energy;
  // Steps end where the push begins and ends, so that no step holds a bend.
  const double ends[] = {push.first, push.first + push.width, kTurn};
  for (result.turns = 1; result.turns <= kMostTurns; ++result.turns) {
    const State before = state;
    double angle = 0;
    for (const double end : ends) {
      const int steps =
          std::max(8, static_cast<int>(std::lround(steps_per_turn * (end - angle) / kTurn)));
      const double from = angle, h = (end - from) / steps;
      for (int k = 0; k < steps; ++k) {
        state = turning.step(state, from + k * h, h);
        least = std::min(least, state.energy);
        if (!(state.energy > kStands * at_start)) {
          result.stalls = true;
          return result;
        }
      }
      angle = end;
    }
    result.given = state.given - before.given;
    result.dragged = state.dragged - before.dragged;
    result.gained = state.energy - before.energy;
    result.speed = kTurn / (state.time - before.time);
    if (std::fabs(result.gained) < kSettled * at_start) break;
  }
  result.least_speed = turning.speed(least);
  return result;
}

}  // namespace loadline
