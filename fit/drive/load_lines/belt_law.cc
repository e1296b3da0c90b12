#include "fit/drive/load_lines/belt_law.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cmath>
#include <numbers>

#include "fit/drive/load_lines/drive_constants.h"

namespace loadline {
namespace {

using namespace drive_chosen;

constexpr double kLowestExponent = -1, kHighestExponent = 4;
constexpr int kSteps = 30;

// d·(d^−(a+1) + D^−(a+1)), lengths over a common one.
Propagated loss_shape(const Propagated& motor, const Propagated& hand, const Propagated& a) {
  const Propagated down = -1.0 - a;
  return motor * (power(motor, down) + power(hand, down));
}

// (d^(1−b) + D^(1−b))/d.
Propagated slip_shape(const Propagated& motor, const Propagated& hand, const Propagated& b) {
  const Propagated up = 1.0 - b;
  return (power(motor, up) + power(hand, up)) / motor;
}

template <class Shape>
Propagated change(Shape shape, const Propagated& motor, const Propagated& hand,
                  const BeltSight& seen, const Propagated& exponent) {
  const Propagated& unit = seen.motor_diameter;
  return shape(motor / unit, hand / unit, exponent) /
         shape(seen.motor_diameter / unit, seen.hand_diameter / unit, exponent);
}

double change_at(BeltQuantity quantity, const SeenQuantity& to, const SeenQuantity& from,
                 double exponent) {
  BeltSight seen;
  seen.motor_diameter = from.motor_diameter;
  seen.hand_diameter = from.hand_diameter;
  const auto of = quantity == BeltQuantity::kLoss ? loss_change : slip_change;
  return of(to.motor_diameter, to.hand_diameter, seen, exponent).value;
}

// The pairs against the first, y_k − y_0·F_k(a), at one exponent.
struct Misfit {
  Eigen::VectorXd gap, by_exponent;
  Eigen::MatrixXd by_seen, covariance;
};

Misfit misfit_at(BeltQuantity quantity, const std::vector<SeenQuantity>& seen,
                 const Eigen::MatrixXd& covariance, double exponent) {
  constexpr double kStep = 1e-4;
  const auto others = static_cast<Eigen::Index>(seen.size()) - 1;
  Misfit misfit{Eigen::VectorXd(others),
                Eigen::VectorXd(others),
                Eigen::MatrixXd::Zero(others, others + 1),
                {}};
  const SeenQuantity& first = seen.front();
  for (Eigen::Index k = 0; k < others; ++k) {
    const SeenQuantity& other = seen[static_cast<std::size_t>(k) + 1];
    const auto at = [&](double e) { return change_at(quantity, other, first, e); };
    const double now = at(exponent);
    misfit.gap[k] = other.value - first.value * now;
    misfit.by_exponent[k] =
        -first.value * (at(exponent + kStep) - at(exponent - kStep)) / (2 * kStep);
    misfit.by_seen(k, k + 1) = 1;
    misfit.by_seen(k, 0) = -now;
  }
  misfit.covariance = misfit.by_seen * covariance * misfit.by_seen.transpose();
  // Its diagonal holds what keeps the inverse finite where all quantities are exact.
  for (Eigen::Index k = 0; k < others; ++k)
    misfit.covariance(k, k) += std::pow(kExponentDeparts * misfit.by_exponent[k], 2) +
                               std::pow(1e-6 * first.value, 2) + 1e-300;
  return misfit;
}

// Pull over the sum of tensions, on the smaller of two pulleys.
double grip(double small, double large) {
  // T₁/T₂ over half a turn on the pulleys of the study.
  constexpr double kLarge = 0.102, kLargeRatio = 21, kSmall = 0.042, kSmallRatio = 5;
  constexpr double kDistance = 2;
  const double at_large = std::log(kLargeRatio) / std::numbers::pi;
  const double exponent =
      std::log(std::log(kLargeRatio) / std::log(kSmallRatio)) / std::log(kLarge / kSmall);
  const double friction = at_large * std::pow(small / kLarge, exponent);
  const double wrap = std::numbers::pi - 2 * std::asin((large - small) / 2 / (kDistance * large));
  return most_pull(1, friction, wrap, std::numbers::pi);  // the groove is in the friction
}

}  // namespace

Propagated loss_change(const Propagated& motor, const Propagated& hand, const BeltSight& seen,
                       const Propagated& exponent) {
  return change(loss_shape, motor, hand, seen, exponent);
}

Propagated slip_change(const Propagated& motor, const Propagated& hand, const BeltSight& seen,
                       const Propagated& exponent) {
  return change(slip_shape, motor, hand, seen, exponent);
}

BeltState belt_on(const BeltLaw& law, const Propagated& motor_diameter) {
  const BeltSight& seen = law.seen;
  BeltState state;
  state.loss = seen.loss * loss_change(motor_diameter, law.hand_diameter, seen, law.exponents.loss);
  if (seen.capacity)
    state.capacity =
        *seen.capacity * (motor_diameter / seen.motor_diameter) *
        Propagated(capacity_change(motor_diameter.value, law.hand_diameter.value,
                                   seen.motor_diameter.value, seen.hand_diameter.value) *
                   seen.motor_diameter.value / motor_diameter.value);
  const Propagated slip =
      seen.slip * slip_change(motor_diameter, law.hand_diameter, seen, law.exponents.slip);
  if (!(seen.torque.value > 0)) {
    state.slip = slip;
    return state;
  }
  state.slip = slip * (1.0 - law.load_share);
  state.creep = slip * law.load_share / seen.torque;
  return state;
}

std::optional<ShownQuantity> shown_quantity(BeltQuantity quantity, double motor_diameter,
                                            double hand_diameter, std::optional<double> loss,
                                            double slip, double torque) {
  if (quantity == BeltQuantity::kLoss) {
    if (!loss) return std::nullopt;
    return ShownQuantity{{motor_diameter, hand_diameter, *loss}, 1, 0, 0};
  }
  if (!(torque > 0)) return std::nullopt;
  return ShownQuantity{
      {motor_diameter, hand_diameter, slip / torque}, 0, 1 / torque, -slip / (torque * torque)};
}

NarrowedExponent narrowed_exponent(BeltQuantity quantity, const std::vector<SeenQuantity>& seen,
                                   const Eigen::MatrixXd& covariance) {
  const bool loss = quantity == BeltQuantity::kLoss;
  const double middle = loss ? BeltExponents().loss.value : BeltExponents().slip.value;
  const double sd = loss ? kLossExponentSd : kSlipExponentSd;
  NarrowedExponent result{middle, Eigen::VectorXd::Zero(static_cast<Eigen::Index>(seen.size())),
                          sd};
  if (seen.size() < 2) return result;
  for (int step = 0; step < kSteps; ++step) {
    const Misfit misfit = misfit_at(quantity, seen, covariance, result.value);
    const Eigen::VectorXd weighed = misfit.covariance.ldlt().solve(misfit.by_exponent);
    const double variance = 1 / (1 / (sd * sd) + weighed.dot(misfit.by_exponent));
    const double move = -variance * ((result.value - middle) / (sd * sd) + weighed.dot(misfit.gap));
    result.by_seen = -variance * (misfit.by_seen.transpose() * weighed);
    result.own_sd =
        std::sqrt(std::max(variance - result.by_seen.dot(covariance * result.by_seen), 0.0));
    result.value =
        std::clamp(result.value + std::clamp(move, -0.5, 0.5), kLowestExponent, kHighestExponent);
    if (std::fabs(move) < 1e-9) break;
  }
  return result;
}

double capacity_change(double motor, double hand, double seen_motor, double seen_hand) {
  const auto at = [](double d, double big) { return grip(std::min(d, big), std::max(d, big)); };
  return motor / seen_motor * at(motor, hand) / at(seen_motor, seen_hand);
}

double most_pull(double tension_sum, double friction, double wrap, double groove_angle) {
  return tension_sum * std::tanh(friction * wrap / (2 * std::sin(groove_angle / 2)));
}

}  // namespace loadline
