#include "fit/drags/ripple.h"

#include <algorithm>
#include <cmath>

#include "db/basis/distributions.h"

namespace loadline {
namespace {

// A ripple once a turn that moves the shaft by ε to first order moves it twice a turn by 3/8·ε² to
// second order: at equal energy dt/dθ goes with (1 + 2ε cos θ)^(−1/2).
constexpr double kSecondOrder = 3.0 / 8;

}  // namespace

WaveLimits limits_of_wave(double square) {
  constexpr double kByScatter = 2, kTail = 0.025;
  const auto true_square = [](double found, double share) {
    const bool none = -std::expm1(-found / 2) < share;  // even no wave at all is that small
    return none ? 0.0 : non_centrality_of_two(found, share);
  };
  const double found = std::max(square, kByScatter);
  // So far from none that it is Gaussian to a fortieth of a deviation; the distribution's series
  // does not converge for much larger ones.
  constexpr double kFar = 400, kAlike = 1.96;
  if (found > kFar) {
    const double size = std::sqrt(found);
    return {std::sqrt(found - kByScatter), size - kAlike, size + kAlike};
  }
  return {std::sqrt(found - kByScatter), std::sqrt(true_square(found, 1 - kTail)),
          std::sqrt(true_square(found, kTail))};
}

Estimate ripple_amplitude(const CoastFit& fit, std::size_t run) {
  const Coast& coast = fit.coasts[run];
  if (!fit.options.ripple || coast.by_turns()) return Estimate::unknown("N·m");
  // A torque ripple of amplitude R twice a turn moves the angle by R/(4 J ω²)·cos 2θ: J dω = R sin
  // 2θ dt gives δω = −R cos 2θ/(2Jω), and δθ = −R sin 2θ/(4Jω²).
  const Eigen::Index first = fit.problem->ripple_column_of(run);
  const Eigen::VectorXd& x = fit.solution.parameters;
  const auto size = [&](Eigen::Index at) { return std::hypot(x[first + at], x[first + at + 1]); };
  const auto variance = [&](Eigen::Index at) {
    return fit.solution.inverse_normal(first + at, first + at);
  };
  const double total =
      fit.problem->unit_inertia() * std::exp(fit.solution.parameters[3]) + coast.added_kgm2;
  const double factor = 4 * total * coast.speed_high * coast.speed_high;
  const double sd = std::sqrt((variance(6) + variance(7)) / 2);
  if (!(sd > 0)) return Estimate::unknown("N·m");
  const WaveLimits of = limits_of_wave(std::pow(size(6) / sd, 2));
  const double slowest = coast.speed_low / coast.speed_high;
  const double once = size(2) / (slowest * slowest);  // rad, by the ripple once a turn
  const double doubt = kSecondOrder * once * once * factor * slowest * slowest;
  return {factor * sd * of.value, std::max(0.0, factor * sd * of.low - doubt),
          factor * sd * of.high + doubt, "N·m"};
}

}  // namespace loadline
