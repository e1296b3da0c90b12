#include "db/basis/estimate.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <cmath>

#include "db/basis/units.h"

namespace loadline {
namespace {

// Digits after the point so that the interval's half width keeps two significant digits.
int decimals_for(double half_width) {
  if (!(half_width > 0)) return 3;
  return std::clamp(1 - static_cast<int>(std::floor(std::log10(half_width))), 0, 12);
}

std::string grouped(double value, int decimals) {
  std::string text = fmt::format("{:.{}f}", value, decimals);
  const std::size_t point = std::min(text.find('.'), text.size());
  const std::size_t first = text.starts_with('-') ? 1 : 0;
  for (std::size_t at = point; at > first + 3; at -= 3) text.insert(at - 3, ",");
  return text;
}

}  // namespace

Estimate Estimate::scaled(double factor, std::string new_unit) const {
  Estimate result{{}, {}, {}, std::move(new_unit)};
  if (value) result.value = *value * factor;
  if (low) result.low = *low * factor;
  if (high) result.high = *high * factor;
  if (factor < 0) std::swap(result.low, result.high);
  return result;
}

Json json_number(double value) { return std::isfinite(value) ? Json(value) : Json(nullptr); }

Json to_json(const Estimate& estimate) {
  const auto number = [](const std::optional<double>& x) { return x ? json_number(*x) : Json(); };
  return Json{{"value", number(estimate.value)},
              {"low", number(estimate.low)},
              {"high", number(estimate.high)},
              {"unit", estimate.unit}};
}

std::string significant(double value, int digits) {
  if (!std::isfinite(value)) return "unknown";
  const double size = std::fabs(value);
  if (size != 0 && (size < 1e-4 || size >= 1e7)) return fmt::format("{:.{}e}", value, digits - 1);
  const int magnitude = size == 0 ? 0 : static_cast<int>(std::floor(std::log10(size)));
  return grouped(value, std::clamp(digits - 1 - magnitude, 0, 12));
}

std::string rpm_text(double rad_per_s) { return significant(rpm_from_rad_per_s(rad_per_s), 3); }

std::string to_text(const Estimate& estimate) {
  const std::string unit = estimate.unit.empty() ? "" : " " + estimate.unit;
  if (!estimate.value || !std::isfinite(*estimate.value)) return "unknown";
  if (!estimate.low || !estimate.high) return significant(*estimate.value, 4) + unit;
  const double half_width = (*estimate.high - *estimate.low) / 2;
  if (std::fabs(*estimate.value) < 1e-4 && half_width < 1e-4)
    return fmt::format("{:.3g} ({:.3g} to {:.3g}){}", *estimate.value, *estimate.low,
                       *estimate.high, unit);
  const int decimals = decimals_for(half_width);
  return fmt::format("{} ({} to {}){}", grouped(*estimate.value, decimals),
                     grouped(*estimate.low, decimals), grouped(*estimate.high, decimals), unit);
}

std::string whole_text(double value) { return grouped(std::round(value), 0); }

std::string whole_text(const Estimate& estimate) {
  if (!estimate.value || !std::isfinite(*estimate.value)) return "unknown";
  if (!estimate.low || !estimate.high || *estimate.low == *estimate.high)
    return whole_text(*estimate.value);
  return fmt::format("{} ({} to {})", whole_text(*estimate.value), whole_text(*estimate.low),
                     whole_text(*estimate.high));
}

}  // namespace loadline
