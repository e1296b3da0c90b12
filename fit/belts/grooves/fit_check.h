// Do these parts belong together? What a drive calculation asks before it computes anything.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "db/parts.h"

namespace loadline {

/// Motor speed over hand-wheel speed without slip, from the pulleys and where the belt rides.
struct TrueRatio {
  Estimate ratio;           ///< unknown when the sizes do not give one
  double relative_sd = 0;   ///< standard uncertainty of the ratio, relative
  Estimate motor_diameter;  ///< mm, effective; unknown when the sizes do not give one
  Estimate hand_diameter;   ///< mm
  std::string reason;       ///< how it was found, or what is missing and how to give it
  std::vector<std::string> warnings;
};

/// The effective diameters come from, in this order: the pulley's measured pitch diameter; where
/// the belt seats in the groove; the pulley's rim (with a warning: too large by up to a belt's
/// height). A belt that does not seat is a warning, and a computed ratio holds for where it does
/// ride.
TrueRatio true_ratio(const Part& motor_pulley, const Part& hand_pulley,
                     const std::optional<Part>& belt);

/// A bore against the shaft it shall go on; empty when they match or a size is not recorded. 6 mm
/// and 6.35 mm (1/4 in) do not mix (common practice).
std::optional<std::string> bore_mismatch(const std::string& shaft_of, double shaft_mm,
                                         const std::string& pulley, double bore_mm);

/// Why a belt does not seat in a pulley's groove; empty when it does or a size is not recorded.
std::optional<std::string> seat_mismatch(const Part& belt, const Part& pulley);

/// All mismatches of a drive in plain sentences: bores against shafts, belt against both grooves.
/// Any part may be absent.
std::vector<std::string> fit_warnings(const std::optional<Part>& motor,
                                      const std::optional<Part>& machine,
                                      const std::optional<Part>& motor_pulley,
                                      const std::optional<Part>& hand_pulley,
                                      const std::optional<Part>& belt);

}  // namespace loadline
