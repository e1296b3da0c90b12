#include "firmware-protocol/simrig/loads.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace loadline::simrig {
namespace {

/// Below this motor speed creep counts against it, so that a belt at rest is stiff but finite.
constexpr double kCreepSpeed = 120.0;

}  // namespace

Brake::Brake(const BrakeSpec& spec, std::uint64_t seed)
    : spec_(spec), chatter_(spec.chatter, spec.chatter_s, kChatterStep, {seed, 2}) {}

double Brake::setting(double action_s) const {
  const double t = action_s - spec_.settle_s;
  if (t <= 0.0) return 0.0;
  if (spec_.programme == BrakeSpec::Programme::kSweep)
    return std::max(0.0, 1.0 - std::abs(2.0 * t / spec_.sweep_s - 1.0));
  const double count = std::floor(spec_.step_count);
  const double step = std::floor(t / spec_.step_s) + 1.0;
  return step > count ? 0.0 : step / count;
}

double Brake::torque(double setting, double speed) const {
  const double set = spec_.law == BrakeSpec::Law::kFriction ? spec_.max_nm : spec_.max_nms * speed;
  return std::max(0.0, setting * set * (1.0 + chatter_.value()));
}

double machine_mean_drag(const MachineSpec& m, double speed) {
  double drag = m.c0_nm + speed * (m.c1_nms + speed * m.c2_nms2);
  if (m.stribeck_nm != 0.0) {
    const double x = speed / m.stribeck_rad;
    drag += m.stribeck_nm * std::exp(-x * x);
  }
  return drag;
}

double machine_drag(const MachineSpec& m, double speed, double angle) {
  double drag = machine_mean_drag(m, speed);
  if (m.ripple1_nm != 0.0) drag += m.ripple1_nm * std::cos(angle);
  if (m.ripple2_nm != 0.0) drag += m.ripple2_nm * std::cos(2.0 * angle);
  return drag;
}

double seam_torque(const MachineSpec& m, double angle) {
  if (m.seam_j == 0.0) return 0.0;
  constexpr double kHeight = 0.7, kDegree = std::numbers::pi / 180.0;
  const double turn = angle - 2.0 * std::numbers::pi * std::floor(angle / (2.0 * std::numbers::pi));
  const double part = (turn / kDegree - m.seam_from_deg) / m.seam_over_deg;
  if (part <= 0.0 || part >= 1.0) return 0.0;
  const double share = part < kHeight ? part / kHeight : (1.0 - part) / (1.0 - kHeight);
  return 2.0 * m.seam_j / (m.seam_over_deg * kDegree) * share;
}

Belt::Belt(const BeltSpec& spec, double ratio) : spec_(spec), ratio_(ratio) {
  const double pulley_mm = spec.motor_pulley_mm > 0.0 ? spec.motor_pulley_mm : 20.0;
  seam_per_rad_ = 0.5 * pulley_mm / spec.length_mm;
}

double Belt::torque(double motor_speed, double handwheel_speed) const {
  const double against = std::max(std::abs(motor_speed), kCreepSpeed);
  const double u = (motor_speed - ratio_ * handwheel_speed) / (spec_.creep * against);
  return spec_.capacity_nm * u / std::sqrt(1.0 + u * u);
}

double Belt::mean_loss(double motor_speed) const {
  return spec_.loss_nm + spec_.loss_nms * motor_speed;
}

double Belt::loss(double motor_speed, double motor_angle) const {
  const double seam =
      spec_.seam_nm == 0.0
          ? 0.0
          : spec_.seam_nm * std::cos(2.0 * std::numbers::pi * seam_per_rad_ * motor_angle);
  return mean_loss(motor_speed) + seam;
}

double Belt::slip(double torque) const {
  const double part = torque / spec_.capacity_nm;
  if (part >= 1.0) return 1.0;
  return std::min(1.0, spec_.creep * part / std::sqrt(1.0 - part * part));
}

}  // namespace loadline::simrig
