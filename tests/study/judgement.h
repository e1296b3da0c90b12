// Holds the results of many simulated sessions against their truth.
#pragma once

#include <array>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "tests/study/session.h"

namespace loadline::study {

/// One way of estimating one result, over all sessions.
struct Score {
  int sessions = 0;  ///< with a value
  int unknown = 0;   ///< without a value or an interval: no claim, so not counted as held
  int held = 0;
  std::vector<double> errors, half_widths;  ///< relative to the truth

  void add(const Estimate& estimate, double truth);
  double coverage() const;  ///< held / sessions
  double bias() const;      ///< mean relative error
  double rms() const;
  double half_width() const;  ///< median
};

struct Tally {
  std::string name;
  Score ours, naive;
};

struct Study {
  std::vector<Tally> tallies;
  std::vector<std::string> failures;  ///< sessions that ended in an error, with its sentence
};

struct StudyOptions {
  int sessions = 500;
  std::uint64_t first_seed = 1;
  std::vector<std::string> overrides;
  bool each = false;  ///< one line per session on stderr
};

/// The kinds that are studied, in the order of the table.
std::array<Kind, 4> studied_kinds();

Study study(Kind kind, const StudyOptions& options);

}  // namespace loadline::study
