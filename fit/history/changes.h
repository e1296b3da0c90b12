// Sessions of one subject over time: how they scatter, a trend, what entered events did, and a
// change that nobody entered.
//
// The model is that of random_effects.h on the logarithm of the figure, with a step for each
// entered event that changed it for sure and for each change found. A change is looked for
// at every date with three sessions or more on either side: one odd evening is no change, and two
// can be chance. The statistic is the mean over these dates of the likelihood ratio against no
// change there; its distribution without a change comes from a parametric bootstrap (a thousand
// sets of sessions like these, fixed seed), so that it is exceeded by chance once in twenty times.
// A step that a straight trend describes twenty times as well is left to the trend.
//
// Thread-safe; plain values.
#pragma once

#include <Eigen/Core>
#include <cstddef>
#include <optional>
#include <string>
#include <vector>

#include "db/basis/estimate.h"

namespace loadline {

/// One session's figure, as its logarithm. In order of time.
struct LevelSeen {
  double day = 0;        ///< days since 1970-01-01; sessions of one day have one
  double log_value = 0;  ///< ln of the figure
  double variance = 0;   ///< of log_value, of what happens anew in each session
};

/// Something that was done to the subject.
struct LevelEvent {
  double day = 0;
  std::string on, what;
};

struct LevelChange {
  std::size_t first = 0;             ///< the first session after it, as a place in the list
  double day = 0;                    ///< of the event, else of that session
  std::string on;                    ///< as the event has it
  Estimate percent;                  ///< limits empty where nothing tells the scatter
  std::optional<std::string> event;  ///< empty where it was found by itself
};

struct LevelStudy {
  Estimate between_percent;          ///< standard deviation from session to session
  Estimate trend_percent_per_year;   ///< beside the changes
  std::vector<LevelChange> changes;  ///< by date
  /// What another session will give from now on, ln; limits empty with one session on this side of
  /// the last step.
  double next_log = 0;
  std::optional<double> next_log_low, next_log_high;
  double degrees_of_freedom = 0;
  /// Ones, steps and a trend that is clear: a row for each session, and that of another one like
  /// the last; for the sessions' other figures.
  Eigen::MatrixXd design;
  Eigen::VectorXd next;
  bool could_look = false;  ///< sessions enough to look for a change by itself
  /// The change in the middle that would have been found nine times in ten, per cent.
  std::optional<double> findable_percent;
};

/// `shared_variance` is of an error that all sessions have in common: it takes part in what another
/// session will give, in nothing else.
LevelStudy study_levels(const std::vector<LevelSeen>& seen, const std::vector<LevelEvent>& events,
                        double shared_variance);

}  // namespace loadline
