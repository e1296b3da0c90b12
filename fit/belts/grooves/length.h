// Belt length, wrap and free span of an open drive, exactly.
//
// With centre distance C and diameters D ≥ d, sin φ = (D − d)/2C:
//   length  L = 2C·cos φ + π(D + d)/2 + φ(D − d)
//   wrap    π − 2φ on the small pulley, π + 2φ on the big one
//   span    C·cos φ
// (any text on machine elements; φ is the arcsine, not the arctangent that some pages take).
// All of it along one line: the tension line of the belt, for which D and d are the effective
// diameters. Lengths in mm. Pure functions; any thread.
#pragma once

#include <optional>
#include <span>
#include <string>
#include <vector>

#include "db/basis/estimate.h"

namespace loadline {

struct OpenDrive {
  double centre_mm = 0, big_mm = 0, small_mm = 0;
};

struct DriveLength {
  double length_mm = 0;
  double span_mm = 0;
  double small_wrap_rad = 0, big_wrap_rad = 0;
};

/// Error(kInput) when a size is not above 0 or the pulleys would overlap.
DriveLength open_length(const OpenDrive& drive);

/// The centre distance at which a belt of `length_mm` is straight. Error(kInput) when it is too
/// short to go round the touching pulleys.
double centre_for_length(double length_mm, double big_mm, double small_mm);

/// What to order: the length at the middle of the motor's travel, and how much shorter or longer it
/// may come out.
struct LengthWanted {
  double order_mm = 0;
  std::optional<double> shortest_mm, longest_mm;  ///< empty when the travel is not known
  bool takes(double length_mm) const {
    return shortest_mm && length_mm >= *shortest_mm && length_mm <= *longest_mm;
  }
};

/// From cord lengths wound in the belt's place with the motor at one end of its travel, the middle
/// and the other end (in either direction). Error(kInput) unless there are one or three and the
/// middle one lies between the others.
LengthWanted wanted_from_cords(std::span<const double> cords_mm);

/// Light-duty V-belt sections are named by width and outside length: 3L470 is 47.0 inches.
struct LightDutyNumber {
  std::string name;       ///< "2L235"
  double outside_mm = 0;  ///< of the belt of that number
  double tension_line_mm = 0;
};

/// The nearest belt of section "2L", "3L", "4L" or "5L" for a length along the tension line. The
/// outside is 2π·0.34·height longer; nominal heights 5/32 (2L, from memory, unverified), 7/32, 5/16
/// and 3/8 in. Error(kInput) for another section.
LightDutyNumber light_duty_number(const std::string& section, double tension_line_mm);

/// Outside length to length along the tension line, for a belt of this height.
double tension_line_length(double outside_mm, double height_mm, bool v_section);

}  // namespace loadline
