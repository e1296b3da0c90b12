// A candidate as it was judged, and a run as it would help.
#pragma once

#include <optional>

#include "fit/choose/drawer/drawer.h"
#include "fit/choose/prediction/aims.h"
#include "fit/choose/prediction/prediction.h"

namespace loadline {

struct Choice {
  Candidate candidate;
  Prediction prediction;
  double chance = 0;
  double right = 0;
  std::optional<Aim> missed;  ///< the aim that it misses most often, when it misses any
  double missed_share = 0;    ///< in which share of draws
};

/// What to record next, and what it would do for the choice.
struct NextRun {
  RunKind kind = RunKind::kBrake;
  Candidate on;  ///< subjects: those that the kind needs of it
  double minutes = 0;
  double settles = 0;  ///< expected chance that the choice is settled afterwards
  double gain = 0;     ///< by how much the first choice's chance to be right is expected to rise
};

}  // namespace loadline
