#include "fit/spin_ups/disc_windage.h"

#include <cmath>
#include <numbers>

namespace loadline {

double disc_windage(double radius, double speed) {
  constexpr double kAir = 1.2, kViscosity = 1.5e-5, kTurbulent = 3e5;
  if (!(speed > 0)) return 0;
  const double reynolds = speed * radius * radius / kViscosity;
  const double friction =
      reynolds < kTurbulent ? 3.87 / std::sqrt(reynolds) : 0.146 / std::pow(reynolds, 0.2);
  return friction * 0.5 * kAir * speed * speed * std::pow(radius, 5);
}

double radius_of_steel_disc(double inertia) {
  constexpr double kSteel = 7850, kThickness = 0.01;
  return std::pow(2 * inertia / (std::numbers::pi * kSteel * kThickness), 0.25);
}

}  // namespace loadline
