// What top-speed runs with two tachometers saw of a belt: motor by motor, pulley pair by pulley
// pair.
#pragma once

#include <compare>
#include <cstdint>
#include <optional>
#include <vector>

#include "db/book.h"
#include "fit/choose/drawer/choice_constants.h"
#include "fit/curves/curve.h"
#include "fit/drive/figures/question.h"

namespace loadline {

struct BeltSession;  // fit/belts/belt_session.h

/// Rows of the book; 0 = none was named.
struct PulleyIds {
  std::int64_t motor = 0, hand = 0;
  auto operator<=>(const PulleyIds&) const = default;
};

/// One top-speed run with both tachometers, over its steady part; the mean of an evening's runs
/// where there are several evenings, since runs of one evening have its mood in common.
struct BeltSighting {
  std::size_t evening = 0;
  double motor_speed = 0;  ///< rad/s
  double quotient = 0;     ///< hand wheel over motor
  std::optional<double> supply_v;
  std::optional<double> creep_speed;  ///< rad/s of the motor in its slip check
};

/// The runs of one belt with one motor on one pair of pulleys, taken together.
struct BeltRuns {
  std::int64_t belt = 0, motor = 0;
  PulleyIds pulleys;
  std::vector<BeltSighting> sightings;
  BeltSeen seen;  ///< their means, without the ratio of its pulleys; with_loss is set
};

/// In order of belt, motor and pulleys. Empty for a session without hand-wheel speeds; runs without
/// a motor's speed are left out. A single run is given kSpeedOfOneRun and kQuotientOfOneRun.
std::vector<BeltRuns> belt_runs(const Book& book, const BeltSession& session);

/// Brings the runs' speeds to their mean supply by what the curves of their motor and machine say
/// of it, so that a wandering mains is no scatter of the belt. Does nothing where a supply or a
/// model without physics leaves that open.
void correct_to_mean_supply(BeltRuns& runs, const Curve& motor, const Curve& machine);

/// How runs repeat is one thing for one bench and one hand: judged from all groups together, as
/// parts of their speeds, and held by what is usual (kSpeedOfOneRun, kQuotientOfOneRun) with the
/// weight of kUsualFreedom degrees of freedom, so that two runs that happen to agree prove little.
void share_scatter(std::vector<BeltRuns>& all);

/// How far runs are from what is asked of the belt, in the logarithm of the motor pulley's
/// diameter: another motor counts as much as a pulley half as large again, another hand wheel
/// little.
double belt_distance(double asked_motor_diameter, double seen_motor_diameter, bool same_motor,
                     bool same_hand_pulley);

}  // namespace loadline
