#include "fit/drive/points/two_stage.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/units.h"

namespace loadline {
namespace {

constexpr double kHeightsOfV = 5;
constexpr double kDiametersOfRing = 4;

std::string against_one_pair(double motor_pulley, const ReductionLimits& limits) {
  if (motor_pulley < limits.smallest_pulley)
    return fmt::format(
        "one pair would need a motor pulley of {:.1f} mm, smaller than the {:.1f} mm that the belt "
        "bends round sensibly",
        mm_from_m(motor_pulley), mm_from_m(limits.smallest_pulley));
  if (!limits.centre_distance) return {};
  const auto wrap = small_pulley_wrap(limits.hand_diameter, motor_pulley, *limits.centre_distance);
  if (!wrap) return "the hand wheel and the motor pulley do not fit between the centres";
  if (*wrap < limits.least_wrap)
    return fmt::format("the belt would wrap only {:.0f} degrees of the motor pulley",
                       deg_from_rad(*wrap));
  return {};
}

}  // namespace

double smallest_sensible_pulley(const std::string& section, double height_m) {
  return height_m * (section == "round" ? kDiametersOfRing : kHeightsOfV);
}

std::optional<double> small_pulley_wrap(double large, double small, double centre_distance) {
  if (centre_distance <= (large + small) / 2) return std::nullopt;
  return kPi - 2 * std::asin((large - small) / (2 * centre_distance));
}

std::optional<Reduction> plan_reduction(double ratio, const ReductionLimits& limits) {
  Reduction plan;
  plan.motor_pulley = limits.hand_diameter / ratio;
  plan.reason = against_one_pair(plan.motor_pulley, limits);
  plan.one_pair = plan.reason.empty();
  plan.first_ratio = ratio;
  if (plan.one_pair) return plan;
  // Equal shares keep both small pulleys as large as can be; the second pair may take less where
  // its small pulley would fall below the limit.
  const double most_second = limits.hand_diameter / limits.smallest_pulley;
  if (most_second <= 1) return std::nullopt;
  plan.second_ratio = std::min(std::sqrt(ratio), most_second);
  plan.first_ratio = ratio / plan.second_ratio;
  plan.motor_pulley = limits.smallest_pulley;
  plan.intermediate_large = plan.motor_pulley * plan.first_ratio;
  plan.intermediate_small = limits.hand_diameter / plan.second_ratio;
  if (plan.intermediate_large > limits.hand_diameter) return std::nullopt;
  return plan;
}

}  // namespace loadline
