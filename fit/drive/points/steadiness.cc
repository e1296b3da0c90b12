#include "fit/drive/points/steadiness.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "fit/drive/load_lines/root.h"
#include "fit/drive/points/operating_point.h"

namespace loadline {
namespace {

constexpr int kSpeedGrid = 48;
constexpr double kMostResistance = 1000;  // r/K in measured top speeds: far below any torque

// Pedal setting at which the motor just holds `motor_speed`; empty when no setting does.
std::optional<double> holding_setting(const DriveCurve& motor, Pedal pedal, double motor_speed,
                                      double needed) {
  const auto short_of = [&](double setting) {
    return needed - with_pedal(motor, pedal, setting).torque(motor_speed);
  };
  if (pedal == Pedal::kResistance)
    return root_above(short_of, 0, motor.high() / 8, kMostResistance * motor.high());
  const double lowest = pedal == Pedal::kMarks ? 0 : 1e-3;
  if (!(short_of(lowest) >= 0)) return std::nullopt;
  return bracketed_root(short_of, lowest, 1);
}

// The setting with its derivatives: the motor's torque at that setting equals what is needed.
Propagated uncertain_setting(const DriveCurve& motor, Pedal pedal, double setting,
                             const Propagated& motor_speed, const Propagated& needed) {
  const Propagated residual = with_pedal(motor, pedal, setting).torque(motor_speed) - needed;
  const double h = 1e-5 * (pedal == Pedal::kResistance ? motor.high() : 1);
  const auto torque = [&](double s) {
    return with_pedal(motor, pedal, s).torque(motor_speed.value);
  };
  return implicit_root(setting, residual, (torque(setting + h) - torque(setting - h)) / (2 * h));
}

// Highest stable speed below `motor_speed`.
std::optional<double> speed_under(const DriveCurve& motor, const DriveCurve& machine,
                                  const LoadLine& line, double motor_speed) {
  const auto spare = [&](double w) { return spare_torque(motor, machine, line, w); };
  std::array<double, kSpeedGrid + 1> grid;
  for (std::size_t k = 0; k <= kSpeedGrid; ++k)
    grid[k] = motor_speed * static_cast<double>(k) / kSpeedGrid;
  const std::vector<double> roots = all_roots(spare, grid);
  for (auto root = roots.rbegin(); root != roots.rend(); ++root)
    if (*root > 0 && spare_torque_slope(motor, machine, line, *root) < 0) return *root;
  return std::nullopt;
}

}  // namespace

Steadiness slow_steadiness(const DriveCurve& motor, const DriveCurve& machine, const LoadLine& line,
                           Pedal pedal, double slow_speed, double seam) {
  Steadiness result;
  if (!supports_pedal(motor, pedal)) return result;
  const Propagated wheel(slow_speed);
  const Propagated motor_speed = motor_speed_at(line, machine, wheel);
  const Propagated needed = (machine.torque(wheel) + line.extra) / line.ratio + line.belt_loss;
  if (motor.torque(motor_speed.value) < needed.value) {
    result.running = SlowRunning::kTooSlow;
    return result;
  }
  result.running = SlowRunning::kUnsteady;
  const auto setting = holding_setting(motor, pedal, motor_speed.value, needed.value);
  if (!setting) return result;
  result.setting = uncertain_setting(motor, pedal, *setting, motor_speed, needed);
  const DriveCurve pedalled = with_pedal(motor, pedal, *result.setting);
  if (!(spare_torque_slope(pedalled, machine, line, motor_speed.value) < 0)) return result;

  if (motor.extrapolates())
    result.stall_torque = pull_at_rest(line, pedalled) -
                          machine.torque(Propagated(machine.extrapolates() ? 0 : machine.low()));
  LoadLine loaded = line;
  loaded.extra = line.extra + seam;
  const auto slowed = speed_under(pedalled, machine, loaded, motor_speed.value);
  result.running = slowed ? SlowRunning::kSteady : SlowRunning::kStalls;
  if (!slowed) return result;
  const Propagated under_seam = operating_speed(pedalled, machine, loaded, *slowed);
  result.drop = 1.0 - handwheel_speed(loaded, pedalled, under_seam) / wheel;
  return result;
}

}  // namespace loadline
