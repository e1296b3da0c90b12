#include "fit/report/plots/drawing.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/estimate.h"
#include "db/basis/units.h"
#include "db/basis/web.h"

namespace loadline {
namespace {

std::string mm(double value) { return fmt::format("{:.3g} mm", value); }

std::string figure(const Part& part, double wide, double high, double scale,
                   const std::string& shapes, const std::string& sizes, const Language& language) {
  // Sizes in millimetres of CSS as attributes: the policy of the page allows no style attributes.
  return fmt::format(
      "<figure class=\"drawing c{}\"><svg xmlns=\"http://www.w3.org/2000/svg\" role=\"img\" "
      "width=\"{:.2f}mm\" height=\"{:.2f}mm\" viewBox=\"0 0 {:.2f} {:.2f}\"><title>{}</title>{}"
      "</svg><figcaption><strong>{}</strong>{}. {}</figcaption></figure>\n",
      part.kind == PartKind::kBelt ? 2 : 1, wide * scale, high * scale, wide, high,
      html_escape(part.name), shapes, html_escape(part.name), html_escape(language.words(sizes)),
      html_escape(language.words(fmt::format("Scale {:g} : 1.", scale))));
}

// Width of the groove at depth `d` below the rim.
double groove_width(double top, double angle_deg, double d) {
  return std::max(0.0, top - 2 * d * std::tan(rad_from_deg(angle_deg) / 2));
}

std::optional<std::string> pulley(const Part& part, double scale, const Language& language) {
  const auto rim = part.number("rim-mm"), top = part.number("groove-top-mm"),
             depth = part.number("groove-depth-mm");
  if (!rim || !top || !depth) return std::nullopt;
  const double angle = part.number("groove-angle-deg").value_or(0);
  const double bottom = groove_width(*top, angle, *depth);
  const double wall = std::clamp(*top * 0.25, 1.0, 3.0);
  const double wide = *top + 2 * wall, left = 2, above = 2;
  const double bore = part.number("bore-mm").value_or(0);
  const double middle = above + *rim / 2;
  const double l = left + wall, r = l + *top, inset = (*top - bottom) / 2;
  std::string shapes;
  // The rim above and below the shaft's centre line, mirrored.
  for (const double side : {-1.0, 1.0}) {
    const auto y = [&](double radius) { return middle + side * radius; };
    const double outer = *rim / 2, floor = outer - *depth, inner = bore / 2;
    shapes += fmt::format(
        "<path class=\"body\" d=\"M{:.2f} {:.2f}V{:.2f}H{:.2f}L{:.2f} {:.2f}H{:.2f}L{:.2f} "
        "{:.2f}H{:.2f}V{:.2f}Z\"/>",
        left, y(inner), y(outer), l, l + inset, y(floor), r - inset, r, y(outer), left + wide,
        y(inner));
  }
  shapes += fmt::format("<path class=\"centre\" d=\"M{:.2f} {:.2f}H{:.2f}\"/>", left - 2, middle,
                        left + wide + 2);
  std::string sizes =
      fmt::format("rim {}, groove {} wide, {} deep", mm(*rim), mm(*top), mm(*depth));
  if (part.number("groove-angle-deg")) sizes += fmt::format(", {:.3g}° between its sides", angle);
  if (bore > 0) sizes += ", bore " + mm(bore);
  return figure(part, wide + 2 * left, *rim + 2 * above, scale, shapes, sizes, language);
}

std::optional<std::string> belt(const Part& part, double scale, const Language& language) {
  if (const auto round = part.number("round-mm"))
    return figure(
        part, *round + 2, *round + 2, scale,
        fmt::format("<circle class=\"body\" cx=\"{0:.2f}\" cy=\"{0:.2f}\" r=\"{1:.2f}\"/>",
                    *round / 2 + 1, *round / 2),
        "round, " + mm(*round), language);
  const auto width = part.number("width-mm"), height = part.number("height-mm");
  if (!width || !height) return std::nullopt;
  const auto angle = part.number("angle-deg");
  const double inset =
      std::min(*width / 2, *height * std::tan(rad_from_deg(angle.value_or(0)) / 2));
  std::string sizes = fmt::format("{} wide, {} high", mm(*width), mm(*height));
  if (angle) sizes += fmt::format(", {:.3g}° between its sides", *angle);
  return figure(part, *width + 2, *height + 2, scale,
                fmt::format("<path class=\"body\" d=\"M1 1H{:.2f}L{:.2f} {:.2f}H{:.2f}Z\"/>",
                            *width + 1, *width + 1 - inset, *height + 1, 1 + inset),
                sizes, language);
}

}  // namespace

std::optional<std::string> drawing(const Part& part, double scale, const Language& language) {
  if (part.kind == PartKind::kPulley) return pulley(part, scale, language);
  if (part.kind == PartKind::kBelt) return belt(part, scale, language);
  return std::nullopt;
}

}  // namespace loadline
