// Figures of single runs brought together session by session: runs of one evening scatter by more
// than their own noise says, by one variance for all evenings (random_effects.h).
//
// Where the figures hang on one number that all runs share and pairs of runs tell (a machine's
// inertia), its correction is estimated along with them, so that the doubt of a pair whose friction
// was not the same in both runs is in it.
//
// Thread-safe; plain values.
#pragma once

#include <cstdint>
#include <optional>
#include <vector>

#include "fit/history/evenings/random_effects.h"

namespace loadline {

/// One run's figure.
struct RunFigure {
  std::size_t session = 0;
  double value = 0, variance = 0;  ///< a logarithm, or the figure itself; of the run's own noise
  double by_shared = 0;            ///< what one unit more of the shared number adds to the truth
};

struct SessionFigure {
  bool known = false;
  double value = 0;
  double variance = 0;           ///< of what happens anew in each session, run to run included
  std::optional<Limits> limits;  ///< with the shared number's doubt; empty where nothing tells it
};

struct RunEffects {
  std::vector<SessionFigure> sessions;
  std::optional<double> run_variance;  ///< from run to run; empty where no session repeats
  std::optional<double> shared;        ///< correction of the shared number; empty where not told
  double shared_variance = 0;          ///< of the sessions' values through it
  std::optional<Limits> shared_limits;
};

/// Session numbers run from 0 to `sessions` − 1; one without a run stays unknown.
RunEffects by_session(const std::vector<RunFigure>& runs, std::size_t sessions);

}  // namespace loadline
