// The choice from a drawer: every candidate judged on one set of draws, the best of them, and
// whether that is settled.
//
// In each draw (one way that everything could be, see joint.h) a candidate meets the aims or not,
// and of those that do the fastest is best; all that are slower than it by less than kWorthOfSpeed
// are as good. A candidate's `chance` is the share of draws in which it meets the aims, `right` the
// share in which it does and nothing that does is faster by more than that. Candidates whose chance
// is at least kSure come first, by top speed; then the others, by chance and by top speed. The
// choice is settled when the first is right with kSure.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "fit/choose/drawer/choice_constants.h"
#include "fit/choose/drawer/drawer.h"
#include "fit/choose/prediction/aims.h"
#include "fit/choose/prediction/prediction.h"
#include "fit/choose/ranked.h"

namespace loadline {

struct DrawerChoice {
  std::vector<Choice> choices;  ///< best first; all that fit together
  bool settled = false;
  double nothing_will_do = 0;  ///< share of draws in which no candidate meets the aims
  /// First against second in top speed, rpm of the hand wheel: how much faster the first is.
  std::optional<Estimate> lead;
  std::vector<NextRun> next;  ///< best first; empty when settled or when nothing will do
  std::vector<std::string> warnings;
  std::size_t draws = 0;
  std::uint64_t seed = 0;

  /// No run that could be recorded would change the answer.
  bool enough() const { return settled || nothing_will_do >= kSure || choices.empty(); }
  bool met() const { return !choices.empty() && choices.front().chance >= kSure; }
};

struct ChoiceOptions {
  std::size_t draws = 4000;
  std::uint64_t seed = 1;
};

/// Errors as Predictor. Uses all processors; the result does not depend on how many there are.
DrawerChoice choose(const Drawer& drawer, const Aims& aims, const ChoiceOptions& options = {});

}  // namespace loadline
