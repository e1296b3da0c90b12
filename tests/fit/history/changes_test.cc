// What a history calls a change: how often falsely, how often rightly, counted on drawn sessions.
// LOADLINE_BOOKS=1000 counts more of them.
#include "fit/history/changes.h"

#include <doctest/doctest.h>
#include <fmt/format.h>

#include <cmath>
#include <cstdlib>
#include <random>

using namespace loadline;

namespace {

int books() {
  const char* asked = std::getenv("LOADLINE_BOOKS");
  return asked ? std::atoi(asked) : 40;
}

struct Drawn {
  int sessions = 8;
  double scatter = 0.03, own = 0.003;  // from session to session; of a session's own measurement
  int changed_at = 0;                  // 0: never
  double change = 1, trend_a_year = 0, claimed = 1;
  // claimed: of every other session, stated over true
  std::vector<LevelEvent> events = {};
};

std::vector<LevelSeen> draw(const Drawn& drawn, std::mt19937& dice) {
  std::normal_distribution<double> normal;
  std::vector<LevelSeen> seen;
  for (int i = 0; i < drawn.sessions; ++i) {
    const double day = 19000 + 80.0 * i;
    const bool later = drawn.changed_at > 0 && i >= drawn.changed_at;
    const double log_value = std::log(later ? drawn.change : 1) +
                             std::log1p(drawn.trend_a_year) * 80.0 * i / 365.25 +
                             drawn.scatter * normal(dice) + drawn.own * normal(dice);
    seen.push_back({day, log_value, std::pow((i % 2 == 0 ? drawn.claimed : 1) * drawn.own, 2)});
  }
  return seen;
}

double share_called(const Drawn& drawn, unsigned seed) {
  std::mt19937 dice(seed);
  int called = 0;
  for (int i = 0; i < books(); ++i)
    for (const LevelChange& change : study_levels(draw(drawn, dice), drawn.events, 0).changes)
      if (!change.event) {
        ++called;
        break;
      }
  return called / static_cast<double>(books());
}

// Three standard errors of a share of that many books.
double slack(double share) { return 3 * std::sqrt(share * (1 - share) / books()); }

}  // namespace

TEST_CASE("no change is called one in more than one book of twenty") {
  for (const int sessions : {6, 8, 14})
    for (const double claimed : {0.0, 1.0, 8.0}) {
      Drawn drawn;
      drawn.sessions = sessions;
      drawn.claimed = claimed;
      const double share = share_called(drawn, 7);
      fmt::print("{:2} sessions, own doubt claimed {} times: called {:.3f}\n", sessions, claimed,
                 share);
      CHECK(share <= 0.05 + slack(0.05));
    }
}

TEST_CASE("ten per cent more or less, four sessions on either side, are found nine times in ten") {
  double found = 0;
  for (const double change : {1.1, 0.9}) {
    Drawn drawn;
    drawn.changed_at = 4;
    drawn.change = change;
    const double share = share_called(drawn, 8);
    fmt::print("change {}: found {:.3f}\n", change, share);
    found += share / 2;
  }
  CHECK(found >= 0.9 - slack(0.9) / std::sqrt(2.0));
  Drawn more;
  more.sessions = 12;
  more.changed_at = 6;
  more.change = 1.1;
  CHECK(share_called(more, 9) >= 0.95 - slack(0.95));
}

TEST_CASE("the size that could have been found is found nine times in ten") {
  std::mt19937 dice(3);
  Drawn loose;
  loose.scatter = 0.08;
  double findable = 0;
  for (int i = 0; i < 20; ++i)
    findable += *study_levels(draw(loose, dice), {}, 0).findable_percent / 20;
  loose.changed_at = 4;
  loose.change = 1 + findable / 100;
  const double share = share_called(loose, 10);
  fmt::print("scatter 8 %: {:.0f} % could be found, found {:.3f}\n", findable, share);
  CHECK(findable > 20);
  CHECK(share >= 0.9 - slack(0.9) - 0.05);  // the mean of twenty sizes is not known exactly
}

TEST_CASE("steady wear is a trend; an event that did nothing hides no change") {
  Drawn wearing;
  wearing.sessions = 14;
  wearing.trend_a_year = 0.08;
  const double called = share_called(wearing, 11);
  fmt::print("8 % a year over three years: called a change {:.3f}\n", called);
  CHECK(called <= 0.6);
  Drawn beside;
  beside.sessions = 12;
  beside.changed_at = 5;
  beside.change = 0.85;
  beside.events = {{19000 + 80.0 * 8 - 1, "", "oiled"}};
  CHECK(share_called(beside, 12) >= 0.9 - slack(0.9));
}

TEST_CASE("nothing is said of one session, little of two") {
  const LevelStudy none = study_levels({}, {}, 0);
  CHECK_FALSE(none.next_log_low);
  const LevelStudy one = study_levels({{19000, 0, 1e-6}}, {{18000, "", "before"}}, 0);
  CHECK(one.changes.empty());
  CHECK_FALSE(one.between_percent.value);
  CHECK_FALSE(one.next_log_low);
  const LevelStudy two =
      study_levels({{19000, 0, 1e-6}, {19100, 0.1, 1e-6}}, {{19050, "", "oiled"}}, 0);
  REQUIRE(two.changes.size() == 1);
  CHECK(*two.changes.front().percent.value == doctest::Approx(10.517).epsilon(1e-3));
  CHECK_FALSE(two.changes.front().percent.low);  // nothing tells the scatter
  CHECK_FALSE(two.could_look);
}
