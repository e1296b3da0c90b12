// A belt's top speed evening by evening, on one machine, motor and pair of pulleys.
//
// ln(speed) of each run, corrected to one supply, and compared with the other belts that ran on the
// same pulleys on every one of these evenings: what machine and motor did differently that evening
// falls out. Without such belts it is the speed itself, and a stiffer machine looks like a worse
// belt. Runs are held to one slip setting as in a comparison of belts (fit/belts/session.h).
#pragma once

#include <string>
#include <vector>

#include "fit/curves/sessions.h"
#include "fit/history/evenings/run_effects.h"

namespace loadline {

struct BeltSessions {
  std::vector<Session> sessions;     ///< of the belt's runs
  RunEffects effects;                ///< of ln(speed over that of the others), else of ln(speed)
  double usual = 0;                  ///< of these: the mean over the sessions
  std::vector<std::string> against;  ///< the other belts; empty: by itself
  std::string set_up;                ///< machine, motor and pulleys, in words
  std::vector<std::string> left_out;
};

/// The machine and pulleys on which the belt ran on most evenings.
BeltSessions belt_sessions(const Book& book, const Part& belt);

}  // namespace loadline
