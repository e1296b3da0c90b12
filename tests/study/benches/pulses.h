// Marks on a shaft and the times at which a sensor sees them pass.
#pragma once

#include <vector>

#include "dice.h"
#include "motion.h"

namespace benches {

struct Disc {
  int pulses = 1;             // marks a turn
  double place_sd = 0.0;      // rad, how far a mark sits from its place, standard deviation
  double eccentricity = 0.0;  // rad, how far the once-a-turn error of all places reaches
  double tick = 1e-6;         // s, what times are counted in
  int lost = 0;               // one in so many passes unseen; 0 for none
  int doubled = 0;            // one in so many is seen twice; 0 for none
};

struct Pulses {
  std::vector<double> times;  // s, rising
  // Index of the last pulse at or before t; -1 when there is none.
  int last_before(double t) const;
};

// The shaft's own angle at the start decides which mark comes first.
Pulses pulses_of(const Motion& motion, const Disc& disc, Dice& dice);

}  // namespace benches
