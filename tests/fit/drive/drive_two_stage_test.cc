// Reductions by two pairs of pulleys.
#include "fit/drive/points/two_stage.h"

#include <doctest/doctest.h>

#include "db/basis/units.h"

using namespace loadline;

TEST_CASE("Wrap of the small pulley is the handbook's") {
  // D 90, d 18, C 210 mm: 160.2582° (derived from θ = π − 2·asin((D − d)/2C), any handbook).
  CHECK(deg_from_rad(*small_pulley_wrap(0.090, 0.018, 0.210)) ==
        doctest::Approx(160.2582).epsilon(1e-6));
  // D 393, d 105, C 697 mm: 156.1537° (a school problem, its data).
  CHECK(deg_from_rad(*small_pulley_wrap(0.393, 0.105, 0.697)) ==
        doctest::Approx(156.1537).epsilon(1e-6));
  CHECK_FALSE(small_pulley_wrap(0.2, 0.1, 0.14).has_value());
}

TEST_CASE("One pair serves while its motor pulley is no smaller than the belt allows") {
  ReductionLimits limits{0.100, 0.016, {}};
  const auto plan = plan_reduction(6, limits);
  REQUIRE(plan.has_value());
  CHECK(plan->one_pair);
  CHECK(plan->motor_pulley == doctest::Approx(0.100 / 6));
}

TEST_CASE("A ratio beyond one pair is split, and the two pairs multiply to it") {
  const ReductionLimits limits{0.100, 0.016, {}};
  for (const double ratio : {7.0, 9.0, 15.0, 25.0, 36.0}) {
    const auto plan = plan_reduction(ratio, limits);
    REQUIRE(plan.has_value());
    CHECK_FALSE(plan->one_pair);
    CHECK(plan->first_ratio * plan->second_ratio == doctest::Approx(ratio));
    CHECK(plan->intermediate_large / plan->motor_pulley == doctest::Approx(plan->first_ratio));
    CHECK(limits.hand_diameter / plan->intermediate_small == doctest::Approx(plan->second_ratio));
    CHECK(plan->motor_pulley >= limits.smallest_pulley);
    CHECK(plan->intermediate_small >= limits.smallest_pulley * (1 - 1e-12));
    CHECK_FALSE(plan->reason.empty());
  }
  CHECK_FALSE(plan_reduction(60, limits).has_value());
}

TEST_CASE("Too little wrap on the motor pulley asks for two pairs as well") {
  // 100 on 16 mm at 80 mm centres: θ = 180° − 2·asin(84/160) = 116.7°.
  const ReductionLimits limits{0.100, 0.015, 0.080};
  const auto plan = plan_reduction(6.25, limits);
  REQUIRE(plan.has_value());
  CHECK_FALSE(plan->one_pair);
  CHECK(plan->reason.find("117 degrees") != std::string::npos);
}
