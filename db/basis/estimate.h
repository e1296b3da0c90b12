// A number with its 95 % interval: what every answer of Loadline is made of.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <optional>
#include <string>

namespace loadline {

using Json = nlohmann::ordered_json;

/// An estimated quantity. `value` is empty where the data cannot support a number; `low` and `high`
/// are the 95 % limits, empty where the interval is unknown. `unit` is what a person reads ("rpm",
/// "N·m", "W", "%", "" for a pure number).
struct Estimate {
  std::optional<double> value;
  std::optional<double> low;
  std::optional<double> high;
  std::string unit;

  static Estimate unknown(std::string unit) { return {{}, {}, {}, std::move(unit)}; }
  static Estimate exact(double value, std::string unit) { return {value, {}, {}, std::move(unit)}; }
  /// Symmetric interval value ± half_width.
  static Estimate with_half_width(double value, double half_width, std::string unit) {
    return {value, value - half_width, value + half_width, std::move(unit)};
  }
  /// The same quantity in another unit (factor > 0 keeps the limits' order; < 0 swaps them).
  Estimate scaled(double factor, std::string new_unit) const;
};

/// {"value": x, "low": l, "high": h, "unit": "…"}; null where unknown or not finite.
Json to_json(const Estimate& estimate);

/// Text for people, rounded to the digits that the interval supports: "8,210 (8,150 to 8,270) rpm".
/// Says "unknown" without a value and leaves the parentheses out without limits.
std::string to_text(const Estimate& estimate);

/// As a person says a speed: whole numbers, "1,427 (1,420 to 1,434)", coarser where the interval
/// supports less, and without the unit.
std::string whole_text(const Estimate& estimate);
std::string whole_text(double value);

/// A number as JSON, null when it is not finite (JSON has no NaN).
Json json_number(double value);

/// `value` printed with `digits` significant digits, never in exponent form between 1e-4 and 1e7.
std::string significant(double value, int digits);
/// A speed, given in rad/s, in rpm as a sentence says it: three digits, without the unit.
std::string rpm_text(double rad_per_s);

}  // namespace loadline
