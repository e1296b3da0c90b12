// Effective diameters of a pair of pulleys, with how well they are known.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "db/parts.h"
#include "fit/drive/figures/question.h"

namespace loadline {

/// Effective diameters of two pulleys under a belt, m.
struct Diameters {
  Uncertain motor, hand;
  double ratio() const { return hand.value / motor.value; }
  double ratio_sd() const;
};

/// From the pitch diameters, where the belt seats, or the rims (fit/belts/grooves/fit_check.h);
/// appends its warnings. `sd_m` overrides its standard uncertainty. Error(kInput) when a size is
/// missing.
Diameters effective_diameters(const Part& motor_pulley, const Part& hand_pulley,
                              const std::optional<Part>& belt, const std::optional<double>& sd_m,
                              std::vector<std::string>& warnings);

/// Appends those sentences that are not there yet.
void append_new(std::vector<std::string>& to, const std::vector<std::string>& from);

}  // namespace loadline
