// Where one pair of pulleys cannot reach a ratio: two pairs with a shaft between them.
//
// The motor pulley cannot be made as small as one likes: the belt must bend round it without
// cracking or slipping, and a small pulley beside a large one is wrapped by little of the belt.
// Wrap of the small pulley, open belt: θ = π − 2·asin((D − d)/2C) (any handbook).
#pragma once

#include <optional>
#include <string>

namespace loadline {

/// The pulleys that are there or can be made. Lengths in m.
struct ReductionLimits {
  double hand_diameter;                   ///< effective, of the hand wheel
  double smallest_pulley;                 ///< effective, smallest sensible for the belt
  std::optional<double> centre_distance;  ///< motor to hand wheel
  double least_wrap = kLeastWrap;         ///< rad, on the small pulley

  /// 120°: below it light V-belts are given less to carry (common practice).
  static constexpr double kLeastWrap = 2.0943951023931953;
};

/// Smallest sensible effective diameter (m) for a belt: five times the height of a V-section, four
/// times the diameter of a rubber ring (common practice, rough; makers' tables take precedence).
double smallest_sensible_pulley(const std::string& section, double height_m);

struct Reduction {
  bool one_pair = false;    ///< one pair reaches the ratio
  double first_ratio = 1;   ///< motor to intermediate shaft; the whole ratio when one pair does
  double second_ratio = 1;  ///< intermediate shaft to hand wheel
  double motor_pulley = 0;  ///< effective diameters, m
  double intermediate_large = 0;  ///< driven by the motor; 0 with one pair
  double intermediate_small = 0;  ///< drives the hand wheel; 0 with one pair
  std::string reason;             ///< why one pair does not, empty when it does
};

/// Wrap (rad) of the small pulley of an open belt; empty when the pulleys do not fit between the
/// centres.
std::optional<double> small_pulley_wrap(double large, double small, double centre_distance);

/// A reduction that reaches `ratio`: one pair when the limits allow, else two with nearly equal
/// ratios. Empty when even two pairs do not.
std::optional<Reduction> plan_reduction(double ratio, const ReductionLimits& limits);

}  // namespace loadline
