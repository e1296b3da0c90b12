#include "firmware-protocol/simrig/truth.h"

#include <algorithm>
#include <cmath>
#include <functional>
#include <numbers>

#include "firmware-protocol/simrig/loads.h"
#include "firmware-protocol/simrig/motor.h"

namespace loadline::simrig {
namespace {

constexpr int kCurvePoints = 240;

double root(const std::function<double(double)>& falling, double low, double high) {
  for (int i = 0; i < 60 && high - low > 1e-12 * high; ++i) {
    const double middle = 0.5 * (low + high);
    (falling(middle) > 0.0 ? low : high) = middle;
  }
  return 0.5 * (low + high);
}

double highest(const std::function<double(double)>& f, double low, double high) {
  const double golden = 0.5 * (std::sqrt(5.0) - 1.0);
  double a = high - golden * (high - low), b = low + golden * (high - low);
  double fa = f(a), fb = f(b);
  for (int i = 0; i < 60 && high - low > 1e-7 * high; ++i) {
    if (fa < fb) {
      low = a;
      a = b;
      fa = fb;
      b = low + golden * (high - low);
      fb = f(b);
    } else {
      high = b;
      b = a;
      fb = fa;
      a = high - golden * (high - low);
      fa = f(a);
    }
  }
  return 0.5 * (low + high);
}

/// Hand-wheel speed at a motor speed whose belt passes on `passed_on`.
double wheel_speed(const Belt& belt, double motor_speed, double passed_on) {
  return motor_speed * (1.0 - belt.slip(std::max(0.0, passed_on))) / belt.ratio();
}

double meeting_speed(const MotorTruth& motor, const MachineSpec& machine, const Belt& belt) {
  const auto surplus = [&](double speed) {
    const double passed_on = motor.net_torque(speed) - belt.mean_loss(speed);
    const double wheel = wheel_speed(belt, speed, passed_on);
    return belt.ratio() * passed_on - machine_mean_drag(machine, wheel);
  };
  // From above: a Stribeck rise may let the curves meet a second time near standstill, where no
  // drive stays.
  double high = motor.no_load_speed;
  const double stride = motor.no_load_speed / 400.0;
  while (high > stride && surplus(high - stride) < 0.0) high -= stride;
  if (high <= stride) return 0.0;
  return root(surplus, high - stride, high);
}

}  // namespace

double MotorTruth::net_torque(double speed) const {
  const double step = curve[1].first - curve[0].first;
  const auto last = curve.size() - 2;
  const auto n = std::min(last, static_cast<std::size_t>(std::max(0.0, speed) / step));
  const auto& [w0, t0] = curve[n];
  const auto& [w1, t1] = curve[n + 1];
  return t0 + (t1 - t0) * (speed - w0) / (w1 - w0);
}

MotorTruth motor_truth(const MotorSpec& motor, const SupplySpec& supply, double volts,
                       double winding_c) {
  MotorTruth truth;
  truth.volts = volts;
  truth.winding_c = winding_c;
  const Motor circuit(motor, supply);
  const auto net = [&](double speed) {
    return mean_torque(motor, supply, volts, winding_c, speed) - circuit.friction(speed);
  };
  truth.stall_torque = net(0.0);
  if (truth.stall_torque <= 0.0) {
    truth.curve = {{0.0, truth.stall_torque}, {1.0, truth.stall_torque}};
    return truth;
  }
  double high = 50.0;
  while (net(high) > 0.0 && high < 2e4) high *= 1.5;
  truth.no_load_speed = root(net, 0.0, high);
  truth.peak_power_speed = highest([&](double w) { return w * net(w); }, 0.0, truth.no_load_speed);
  truth.peak_power = truth.peak_power_speed * net(truth.peak_power_speed);
  for (int n = 0; n <= kCurvePoints; ++n) {
    const double speed = truth.no_load_speed * n / kCurvePoints;
    truth.curve.emplace_back(speed, net(speed));
  }
  return truth;
}

MotorTruth motor_truth_at_terminals(const MotorSpec& motor, SupplySpec supply, double volts,
                                    double winding_c) {
  supply.source_ohm = supply.series_ohm = 0.0;
  return motor_truth(motor, supply, volts, winding_c);
}

DriveTruth drive_truth(const MotorTruth& motor, const MachineSpec& machine, const BeltSpec& belt,
                       double ratio) {
  const Belt drive(belt, ratio);
  DriveTruth truth;
  truth.standstill_torque = ratio * motor.stall_torque;
  truth.motor_speed = meeting_speed(motor, machine, drive);
  const double torque = motor.net_torque(truth.motor_speed);
  truth.handwheel_speed =
      wheel_speed(drive, truth.motor_speed, torque - drive.mean_loss(truth.motor_speed));
  truth.shaft_power = truth.motor_speed * torque;
  return truth;
}

std::pair<double, double> best_ratio(const MotorTruth& motor, const MachineSpec& machine,
                                     const BeltSpec& belt) {
  const auto speed = [&](double ratio) {
    return drive_truth(motor, machine, belt, ratio).handwheel_speed;
  };
  const double ratio = highest(speed, 0.5, 40.0);
  return {ratio, speed(ratio)};
}

}  // namespace loadline::simrig
