#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/units.h"
#include "fit/belts/grooves/seat.h"

namespace loadline {
namespace {

constexpr double kScale = 10;  // drawn millimetres per millimetre
constexpr double kMargin = 3;  // mm of the part around what is drawn

// Maps the part's millimetres (x from the middle, y downwards from the rim) to the drawing's.
struct Sheet {
  double left, top;
  std::string at(double x, double y) const {
    return fmt::format("{:.2f},{:.2f}", (x - left) * kScale, (y - top) * kScale);
  }
  double x(double value) const { return (value - left) * kScale; }
  double y(double value) const { return (value - top) * kScale; }
};

std::string pulley_shape(const Groove& groove, const Sheet& sheet, double half, double floor) {
  const double slope = std::tan(rad_from_deg(groove.angle_deg / 2));
  const double rim = groove.top_mm / 2;
  const double depth = slope > 0 ? std::min(groove.depth_mm, rim / slope) : groove.depth_mm;
  const double bottom = std::max(0.0, rim - depth * slope);
  std::string path = "M " + sheet.at(-half, floor) + " L " + sheet.at(-half, 0);
  if (rim > 0) {
    path += " L " + sheet.at(-rim, 0) + " L " + sheet.at(-bottom, depth);
    path += groove.bottom == "round" ? fmt::format(" Q {} {}", sheet.at(0, depth + bottom * slope),
                                                   sheet.at(bottom, depth))
                                     : " L " + sheet.at(bottom, depth);
    path += " L " + sheet.at(rim, 0);
  }
  path += " L " + sheet.at(half, 0) + " L " + sheet.at(half, floor) + " Z";
  return fmt::format("  <path class=\"pulley\" d=\"{}\"/>\n", path);
}

std::string belt_shape(const BeltSection& belt, const Seat& seat, const Sheet& sheet) {
  const double top = seat.top_below_rim_mm;
  if (belt.kind == BeltKind::kRound)
    return fmt::format("  <circle class=\"belt\" cx=\"{:.2f}\" cy=\"{:.2f}\" r=\"{:.2f}\"/>\n",
                       sheet.x(0), sheet.y(top + belt.width_mm / 2), belt.width_mm / 2 * kScale);
  const double narrowing =
      belt.kind == BeltKind::kV ? belt.height_mm * std::tan(rad_from_deg(belt.angle_deg / 2)) : 0.0;
  const double half = belt.width_mm / 2, low = half - narrowing;
  return fmt::format("  <path class=\"belt\" d=\"M {} L {} L {} L {} Z\"/>\n", sheet.at(-half, top),
                     sheet.at(half, top), sheet.at(low, top + belt.height_mm),
                     sheet.at(-low, top + belt.height_mm));
}

std::string scale_bar(const Sheet& sheet, double half, double y) {
  return fmt::format(
      "  <path class=\"bar\" d=\"M {} L {}\"/>\n"
      "  <text x=\"{:.2f}\" y=\"{:.2f}\">1 mm (drawn 10 : 1)</text>\n",
      sheet.at(-half, y), sheet.at(-half + 1, y), sheet.x(-half + 1.4), sheet.y(y) + 3);
}

std::string escaped(const std::string& text) {
  std::string out;
  for (const char c : text) {
    if (c == '<')
      out += "&lt;";
    else if (c == '&')
      out += "&amp;";
    else
      out += c;
  }
  return out;
}

}  // namespace

std::string seat_drawing(const BeltSection& belt, const Groove& groove, const Seat& seat) {
  const double half = std::max(belt.width_mm, groove.top_mm) / 2 + kMargin;
  const double head = std::min(0.0, seat.top_below_rim_mm) - kMargin;
  const double floor = std::max(groove.depth_mm, seat.top_below_rim_mm + belt.height_mm) + kMargin;
  const Sheet sheet{-half, head};
  const double width = 2 * half * kScale, height = (floor - head + 3.5) * kScale;
  std::string svg = fmt::format(
      "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"{0:.2f}mm\" height=\"{1:.2f}mm\" "
      "viewBox=\"0 0 {0:.2f} {1:.2f}\" role=\"img\">\n  <title>{2}</title>\n  <style>.pulley{{fill:"
      "#c9ced6;stroke:#333;stroke-width:.8}}.belt{{fill:#3b3b3b;fill-opacity:.75;stroke:#111;"
      "stroke-width:.8}}.bar{{stroke:#111;stroke-width:1.2;fill:none}}.rim{{stroke:#777;"
      "stroke-width:.4;stroke-dasharray:3 2}}text{{font:8px sans-serif;fill:#111}}</style>\n",
      width, height, escaped(seat.reason));
  svg += pulley_shape(groove, sheet, half, floor);
  svg += belt_shape(belt, seat, sheet);
  svg += fmt::format("  <path class=\"rim\" d=\"M {} L {}\"/>\n", sheet.at(-half, 0),
                     sheet.at(half, 0));
  svg += scale_bar(sheet, half - 0.5, floor + 1);
  svg +=
      fmt::format("  <text x=\"{:.2f}\" y=\"{:.2f}\">{}: rides on {}</text>\n",
                  sheet.x(-half + 0.5), sheet.y(floor + 2.6), seat.fits ? "fits" : "does not fit",
                  seat.ride == Ride::kDeep ? "its sides, too deep" : ride_name(seat.ride));
  return svg + "</svg>\n";
}

}  // namespace loadline
