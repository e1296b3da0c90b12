#include "fit/belts/grooves/length.h"

#include <fmt/format.h>

#include <algorithm>
#include <boost/math/tools/toms748_solve.hpp>
#include <cmath>

#include "db/basis/error.h"
#include "db/basis/units.h"
#include "fit/belts/grooves/above_0.h"
#include "fit/belts/grooves/groove_constants.h"

namespace loadline {
namespace {

constexpr double kInch = 25.4;
using belt_chosen::kTensionLine;

double light_duty_height_mm(const std::string& section) {
  if (section == "2L") return 5.0 / 32 * kInch;
  if (section == "3L") return 7.0 / 32 * kInch;
  if (section == "4L") return 5.0 / 16 * kInch;
  if (section == "5L") return 3.0 / 8 * kInch;
  throw Error(Fault::kInput,
              fmt::format("'{}' is no light-duty section; give 2L, 3L, 4L or 5L.", section));
}

DriveLength length_at(double centre, double big, double small) {
  const double phi = std::asin((big - small) / 2 / centre);
  DriveLength result;
  result.span_mm = centre * std::cos(phi);
  result.length_mm = 2 * result.span_mm + kPi * (big + small) / 2 + phi * (big - small);
  result.small_wrap_rad = kPi - 2 * phi;
  result.big_wrap_rad = kPi + 2 * phi;
  return result;
}

}  // namespace

DriveLength open_length(const OpenDrive& drive) {
  require_above_0(drive.centre_mm, "centre distance", " mm");
  require_above_0(drive.big_mm, "big pulley's diameter", " mm");
  require_above_0(drive.small_mm, "small pulley's diameter", " mm");
  const auto [small, big] = std::minmax(drive.small_mm, drive.big_mm);
  if (drive.centre_mm < (big + small) / 2)
    throw Error(
        Fault::kInput,
        fmt::format("pulleys of {} and {} mm overlap at a centre distance of {} mm; it must "
                    "be at least {} mm.",
                    significant(big, 4), significant(small, 4), significant(drive.centre_mm, 4),
                    significant((big + small) / 2, 4)));
  return length_at(drive.centre_mm, big, small);
}

double centre_for_length(double length_mm, double big_mm, double small_mm) {
  const auto [small, big] = std::minmax(small_mm, big_mm);
  require_above_0(small, "small pulley's diameter", " mm");
  const double least = (big + small) / 2;
  if (!(length_mm >= length_at(least, big, small).length_mm))
    throw Error(Fault::kInput,
                fmt::format("a belt of {} mm does not go round these pulleys; even touching they "
                            "need {} mm.",
                            significant(length_mm, 4),
                            significant(length_at(least, big, small).length_mm, 4)));
  const auto miss = [big = big, small = small, length_mm](double centre) {
    return length_at(centre, big, small).length_mm - length_mm;
  };
  if (miss(least) == 0) return least;
  std::uintmax_t steps = 100;
  const auto bracket = boost::math::tools::toms748_solve(
      miss, least, length_mm, boost::math::tools::eps_tolerance<double>(50), steps);
  return (bracket.first + bracket.second) / 2;
}

LengthWanted wanted_from_cords(std::span<const double> cords_mm) {
  for (const double cord : cords_mm) require_above_0(cord, "cord's length", " mm");
  LengthWanted wanted;
  if (cords_mm.size() == 1) {
    wanted.order_mm = cords_mm[0];
    return wanted;
  }
  if (cords_mm.size() != 3)
    throw Error(Fault::kInput,
                "give one cord length, or three: motor lowest, in the middle, highest.");
  wanted.order_mm = cords_mm[1];
  wanted.shortest_mm = std::min(cords_mm[0], cords_mm[2]);
  wanted.longest_mm = std::max(cords_mm[0], cords_mm[2]);
  if (!(wanted.order_mm > *wanted.shortest_mm && wanted.order_mm < *wanted.longest_mm))
    throw Error(
        Fault::kInput,
        fmt::format("the cord in the middle position ({} mm) must lie between the other two "
                    "({} and {} mm); measure again.",
                    cords_mm[1], cords_mm[0], cords_mm[2]));
  return wanted;
}

double tension_line_length(double outside_mm, double height_mm, bool v_section) {
  return outside_mm - 2 * kPi * (v_section ? kTensionLine : 0.5) * height_mm;
}

LightDutyNumber light_duty_number(const std::string& section, double tension_line_mm) {
  const double height = light_duty_height_mm(section);
  const double outside = tension_line_mm + 2 * kPi * kTensionLine * height;
  const auto tenths = static_cast<int>(std::lround(outside / kInch * 10));
  LightDutyNumber number;
  number.name = fmt::format("{}{:03d}", section, tenths);
  number.outside_mm = tenths * kInch / 10;
  number.tension_line_mm = tension_line_length(number.outside_mm, height, true);
  return number;
}

}  // namespace loadline
