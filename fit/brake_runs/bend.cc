#include "fit/brake_runs/bend.h"

#include <cmath>

#include "fit/equations/motor_constants.h"

namespace loadline {
namespace {

using namespace motor_chosen;

// E[b²], given the readings.
double second_moment(const EffectsBeside& beside) {
  const double variance = 1 / (beside.information(0, 0) + 1 / (kBend * kBend));
  const double mean = variance * beside.right[0];
  const double odds =
      std::sqrt(variance) / kBend * std::exp(std::min(100.0, mean * mean / variance / 2));
  return odds / (1 + odds) * (variance + mean * mean);
}

}  // namespace

ResultDoubt bend_doubt(const SweepFit& fit, const Curve& curve) {
  const double torque = sweep_scale(fit.sweeps).torque, top = curve.speed_high;
  const auto bend = [&](double speed) { return torque * speed * speed / (top * top); };
  Eigen::MatrixXd column = Eigen::MatrixXd::Zero(fit.solution.jacobian.rows(), 1);
  for (std::size_t j = 0; j < fit.sweeps.size(); ++j)
    for (std::size_t i = 0; i < fit.sweeps[j].rows.size(); ++i)
      column(fit.problem->row_of(j) + static_cast<Eigen::Index>(i), 0) =
          fit.unit(j, i) * bend(fit.sweeps[j].rows[i].speed);
  const EffectsBeside beside = effects_beside(fit.solution, column);
  if (!beside.information.allFinite() || !beside.right.allFinite()) return {};
  const double size = std::sqrt(second_moment(beside));
  const Eigen::VectorXd moved =
      fit.natural_by_internal * beside.by_effect.col(0).head(fit.natural_by_internal.cols());
  // What is fitted less what is true, over the result.
  const auto doubt = [&](const CurveResult& result, double direct) {
    return size * std::fabs((moved.dot(result.gradient) - direct) / result.value);
  };
  const auto slope = [&](double speed) {
    const double step = 1e-4 * top;
    return (curve.torque(speed + step) - curve.torque(speed - step)) / (2 * step);
  };
  ResultDoubt out;
  out.stall = doubt(stall_torque(curve), 0);
  if (const auto free = no_load_speed(curve))
    out.no_load = doubt(*free, -bend(free->value) / slope(free->value));
  if (const auto peak = peak_power(curve)) {
    // Where d(ωT)/dω = 0, which a line's power crosses with the slope 2T′.
    const double at = peak->speed.value;
    out.power = doubt(peak->power, at * bend(at));
    out.power_speed = doubt(peak->speed, -3 * bend(at) / (2 * slope(at)));
  }
  return out;
}

}  // namespace loadline
