// A small, seeded piece of coverage_study.cc: enough to fail when intervals are half as wide as
// they should be, or when an estimate drifts off by its own interval. The whole table is in
// README.md.
#include <doctest/doctest.h>

#include "tests/study/judgement.h"

using loadline::study::Kind;
using loadline::study::Study;
using loadline::study::Tally;

namespace {

constexpr int kSessions = 24;
// Of 24 intervals with a true coverage of 95 %, fewer than 19 hold the truth in 0.1 % of cases;
// with half the width (coverage 67 %) fewer than 19 hold it in 85 % of cases (binomial
// distribution).
constexpr int kLeastHeld = 19;

Study small_study(Kind kind) {
  loadline::study::StudyOptions options;
  options.sessions = kSessions;
  options.first_seed = 90001;
  return loadline::study::study(kind, options);
}

void check(const Study& study) {
  CHECK(study.failures.empty());
  CHECK_FALSE(study.tallies.empty());
  for (const Tally& tally : study.tallies) {
    CAPTURE(tally.name);
    CHECK(tally.ours.sessions + tally.ours.unknown == kSessions);
    CHECK(tally.ours.held + tally.ours.unknown >= kLeastHeld);
    // Of a ripple nothing is said where the fit is as good without it.
    CHECK((tally.name == "ripple" || tally.ours.unknown <= kSessions / 4));
  }
}

}  // namespace

TEST_CASE("brake runs: intervals hold the truth") { check(small_study(Kind::kBrake)); }

TEST_CASE("coast-down pairs: intervals hold the truth") { check(small_study(Kind::kCoastPair)); }

TEST_CASE("spin-ups: intervals hold the truth") { check(small_study(Kind::kSpinUp)); }

TEST_CASE("driven machines: intervals hold the truth") { check(small_study(Kind::kDriven)); }
