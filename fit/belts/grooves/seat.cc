#include "fit/belts/grooves/seat.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>

#include "db/basis/error.h"
#include "db/basis/units.h"
#include "fit/belts/grooves/groove_constants.h"

namespace loadline {
namespace {

using namespace belt_chosen;

double half_tan(double angle_deg) { return std::tan(rad_from_deg(angle_deg / 2)); }

void require(double value, const char* what, const char* option) {
  if (!(value > 0) || !std::isfinite(value))
    throw Error(Fault::kInput,
                fmt::format("the {} is missing or not above 0; give {}.", what, option));
}

void require_sound(const BeltSection& belt, const Groove& groove) {
  if (belt.kind == BeltKind::kRound) {
    require(belt.width_mm, "belt's diameter", "--round-mm");
  } else {
    require(belt.width_mm, "belt's width", "--width-mm");
    require(belt.height_mm, "belt's height", "--height-mm");
  }
  if (belt.kind == BeltKind::kFlat) return;
  require(groove.top_mm, "groove's width at the rim", "--groove-top-mm");
  require(groove.depth_mm, "groove's depth", "--groove-depth-mm");
  require(groove.angle_deg, "groove's angle", "--groove-angle-deg");
  if (groove.angle_deg >= 120)
    throw Error(Fault::kInput, "a groove's angle is below 120 degrees; check --groove-angle-deg.");
  if (belt.kind == BeltKind::kV && !(belt.angle_deg >= 0 && belt.angle_deg < 120))
    throw Error(Fault::kInput, "a belt's angle is between 0 and 120 degrees; check --angle-deg.");
  if (belt.kind == BeltKind::kV &&
      belt.width_mm - 2 * belt.height_mm * half_tan(belt.angle_deg) < 0)
    throw Error(Fault::kInput,
                "the belt's sides would meet above its bottom; check --width-mm, --height-mm and "
                "--angle-deg.");
}

// Depth where the belt would touch the bottom: the groove's, or where its sides meet.
double depth_of(const Groove& groove) {
  return std::min(groove.depth_mm, groove.top_mm / 2 / half_tan(groove.angle_deg));
}

std::string mm(double value) { return fmt::format("{:.2f} mm", value); }

// Half width of the belt's place, from the calliper: a width error of δ moves a wedge by
// δ/(2·tan(β/2)).
double place_sd(const Groove& groove) {
  return std::hypot(kWidthSd, kWidthSd) / 2 / half_tan(groove.angle_deg);
}

void set_diameter(Seat& seat, const Groove& groove, double line_below_rim, double line_sd) {
  seat.effective_diameter = Estimate::unknown("mm");
  if (!(groove.rim_mm > 0)) return;
  const double value = groove.rim_mm - 2 * line_below_rim;
  if (!(value > 0)) {
    seat.warnings.emplace_back("the belt would ride below the shaft's centre; check --rim-mm");
    return;
  }
  const double sd = std::hypot(2 * line_sd, kRimSd);
  seat.effective_diameter = Estimate::with_half_width(value, 1.96 * sd, "mm");
}

void place(Seat& seat, Ride ride, std::vector<std::string> touches, std::string reason) {
  seat.ride = ride;
  seat.touches = std::move(touches);
  seat.fits = ride == Ride::kSides || ride == Ride::kFace;
  seat.reason = std::move(reason);
}

void seat_v(const BeltSection& belt, const Groove& groove, Seat& seat) {
  const double h = belt.height_mm;
  const double bottom_width = belt.width_mm - 2 * h * half_tan(belt.angle_deg);
  const double middle_width = belt.width_mm - h * half_tan(belt.angle_deg);
  const double depth = depth_of(groove);
  double top = (groove.top_mm - middle_width) / 2 / half_tan(groove.angle_deg) - h / 2;
  double sd = place_sd(groove);
  if (bottom_width >= groove.top_mm || top <= -h) {
    top = -h;
    sd = 0;
    place(seat, Ride::kRim, {"rim"},
          fmt::format("the belt is {} wide even at its bottom and cannot enter a groove of {}",
                      mm(bottom_width), mm(groove.top_mm)));
  } else if (-top > kMostProud * h) {
    place(
        seat, Ride::kRimEdges, {"rim edges"},
        fmt::format("the belt stands {} proud of the rim and is held by the groove's edges alone: "
                    "it is too wide",
                    mm(-top)));
  } else if (top + h >= depth) {
    top = depth - h;
    sd = 0.1;
    place(seat, Ride::kBottom, {"bottom"},
          fmt::format("the belt goes to the bottom before its sides hold ({} would be needed, the "
                      "groove is {} deep): it is too narrow and hardly grips",
                      mm((groove.top_mm - middle_width) / 2 / half_tan(groove.angle_deg) + h / 2),
                      mm(depth)));
  } else if (top > kMostSunk * h) {
    place(
        seat, Ride::kDeep, {"sides"},
        fmt::format("the belt sinks {} below the rim, more than half its height: it is too narrow "
                    "and will reach the bottom as it wears",
                    mm(top)));
  } else {
    place(seat, Ride::kSides, {"sides"},
          fmt::format("the belt is held by its sides, {} {} the rim, {} clear of the bottom",
                      mm(std::fabs(top)), top >= 0 ? "below" : "above", mm(depth - top - h)));
    if (top > kSunkWarning * h)
      seat.warnings.emplace_back("the belt sits low in the groove: a little wear takes it down");
  }
  if (std::fabs(belt.angle_deg - groove.angle_deg) > 12)
    seat.warnings.push_back(
        fmt::format("belt of {:.0f}° in a groove of {:.0f}°: only part of the sides will touch",
                    belt.angle_deg, groove.angle_deg));
  seat.top_below_rim_mm = top;
  seat.bottom_clearance_mm = depth - top - h;
  set_diameter(seat, groove, top + kTensionLine * h, std::hypot(sd, kTensionLineSd * h));
}

void seat_round(const BeltSection& belt, const Groove& groove, Seat& seat) {
  const double r = belt.width_mm / 2;
  const double angle = rad_from_deg(groove.angle_deg / 2);
  const double depth = depth_of(groove);
  double centre = groove.top_mm / 2 / std::tan(angle) - r / std::sin(angle);
  const double contact = centre + r * std::sin(angle);
  double sd = std::hypot(kWidthSd / 2 / std::tan(angle), kWidthSd / 2 / std::sin(angle));
  if (contact < 0) {
    centre = -std::sqrt(std::max(0.0, r * r - groove.top_mm * groove.top_mm / 4));
    place(
        seat, Ride::kRimEdges, {"rim edges"},
        fmt::format("a round belt of {} is too thick for a groove of {}: it rides on the edges of "
                    "the rim",
                    mm(belt.width_mm), mm(groove.top_mm)));
  } else if (centre + r >= depth && groove.depth_mm <= depth) {
    centre = depth - r;
    sd = 0.1;
    place(seat, Ride::kBottom, {"bottom"},
          fmt::format("a round belt of {} goes to the bottom before the sides hold it: it hardly "
                      "grips",
                      mm(belt.width_mm)));
  } else {
    place(
        seat, Ride::kSides, {"sides"},
        fmt::format("the round belt goes in and grips the sides {} below the rim, {} clear of the "
                    "bottom",
                    mm(contact), mm(depth - centre - r)));
  }
  seat.top_below_rim_mm = centre - r;
  seat.bottom_clearance_mm = depth - centre - r;
  set_diameter(seat, groove, centre, sd);
}

void seat_flat(const BeltSection& belt, const Groove& groove, Seat& seat) {
  if (groove.top_mm > 0 && groove.depth_mm > 0)
    place(seat, Ride::kRimEdges, {"rim edges"},
          "a flat belt on a grooved pulley runs on the edges of the groove; it needs a plain face");
  else
    place(seat, Ride::kFace, {"face"}, "the flat belt lies on the face of the pulley");
  seat.top_below_rim_mm = -belt.height_mm;
  seat.bottom_clearance_mm = groove.depth_mm;
  set_diameter(seat, groove, -belt.height_mm / 2, kWidthSd / 2);
}

std::optional<double> field(const Part& part, const char* name, std::string& missing) {
  const auto value = part.number(name);
  if (!value) missing += std::string(missing.empty() ? "" : " ") + "--" + name;
  return value;
}

}  // namespace

const char* ride_name(Ride ride) {
  switch (ride) {
    case Ride::kSides:
      return "sides";
    case Ride::kBottom:
      return "bottom";
    case Ride::kDeep:
      return "deep";
    case Ride::kRimEdges:
      return "rim edges";
    case Ride::kRim:
      return "rim";
    case Ride::kFace:
      return "face";
  }
  return "";
}

Seat seat(const BeltSection& belt, const Groove& groove) {
  require_sound(belt, groove);
  Seat result;
  switch (belt.kind) {
    case BeltKind::kV:
      seat_v(belt, groove, result);
      break;
    case BeltKind::kRound:
      seat_round(belt, groove, result);
      break;
    case BeltKind::kFlat:
      seat_flat(belt, groove, result);
      break;
  }
  return result;
}

std::optional<BeltSection> section_of(const Part& belt, std::string& missing) {
  missing.clear();
  BeltSection section;
  const auto round = belt.number("round-mm");
  const std::string kind = belt.text("section").value_or(round ? "round" : "v");
  if (kind == "round") {
    const auto diameter = round ? round : field(belt, "round-mm", missing);
    if (!diameter) return std::nullopt;
    return BeltSection{BeltKind::kRound, *diameter, *diameter, 0};
  }
  section.kind = kind == "flat" ? BeltKind::kFlat : BeltKind::kV;
  const auto width = field(belt, "width-mm", missing);
  const auto height = field(belt, "height-mm", missing);
  if (!width || !height) return std::nullopt;
  section.width_mm = *width;
  section.height_mm = *height;
  section.angle_deg = belt.number("angle-deg").value_or(40);
  return section;
}

std::optional<Groove> groove_of(const Part& pulley, std::string& missing) {
  missing.clear();
  Groove groove;
  const auto top = field(pulley, "groove-top-mm", missing);
  const auto depth = field(pulley, "groove-depth-mm", missing);
  const auto angle = field(pulley, "groove-angle-deg", missing);
  if (!top || !depth || !angle) return std::nullopt;
  groove.top_mm = *top;
  groove.depth_mm = *depth;
  groove.angle_deg = *angle;
  groove.bottom = pulley.text("groove-bottom").value_or("flat");
  groove.rim_mm = pulley.number("rim-mm").value_or(0);
  return groove;
}

Json to_json(const Seat& seat) {
  return Json{{"fits", seat.fits},
              {"rides", ride_name(seat.ride)},
              {"touches", seat.touches},
              {"top_below_rim_mm", json_number(seat.top_below_rim_mm)},
              {"bottom_clearance_mm", json_number(seat.bottom_clearance_mm)},
              {"effective_diameter", to_json(seat.effective_diameter)},
              {"reason", seat.reason},
              {"warnings", seat.warnings}};
}

}  // namespace loadline
