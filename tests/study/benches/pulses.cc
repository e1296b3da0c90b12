#include "pulses.h"

#include <algorithm>
#include <cmath>
#include <numbers>

namespace benches {

namespace {

constexpr double kTurn = 2.0 * std::numbers::pi;

std::vector<double> mark_places(const Disc& disc, Dice& dice) {
  const double phase = dice.uniform(0.0, kTurn);
  std::vector<double> places;
  for (int k = 0; k < disc.pulses; ++k) {
    const double nominal = kTurn * k / disc.pulses;
    places.push_back(nominal + disc.eccentricity * std::sin(nominal + phase) +
                     dice.normal(disc.place_sd));
  }
  std::sort(places.begin(), places.end());
  return places;
}

}  // namespace

int Pulses::last_before(double t) const {
  return static_cast<int>(std::upper_bound(times.begin(), times.end(), t) - times.begin()) - 1;
}

Pulses pulses_of(const Motion& motion, const Disc& disc, Dice& dice) {
  const std::vector<double> places = mark_places(disc, dice);
  const double first = motion.at(motion.begin()).angle, last = motion.last().angle;
  std::vector<double> angles;
  for (double turn = std::floor(first / kTurn) - 1.0; turn * kTurn <= last; turn += 1.0)
    for (const double place : places)
      if (turn * kTurn + place > first) angles.push_back(turn * kTurn + place);
  Pulses pulses;
  for (const double t : motion.times_of(angles)) {
    if (disc.lost > 0 && dice.chance(1.0 / disc.lost)) continue;
    pulses.times.push_back(std::round(t / disc.tick) * disc.tick);
    // A contact or an edge of reflecting tape that bounces: a second edge soon after.
    if (disc.doubled > 0 && dice.chance(1.0 / disc.doubled))
      pulses.times.push_back(pulses.times.back() + dice.uniform(5e-5, 3e-4));
  }
  std::sort(pulses.times.begin(), pulses.times.end());
  return pulses;
}

}  // namespace benches
