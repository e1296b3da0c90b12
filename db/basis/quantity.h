// A number as a person writes it, with its unit or without: 12.7, 0.5in, 1/4in, 1.25 mm, 26mNm.
#pragma once

#include <optional>
#include <string>
#include <vector>

namespace loadline {

/// `text` in `unit`, which is one of those that options carry at the end of their names: "mm", "g",
/// "kgm2", "nm" (N·m), "n" (N), "v", "a", "w", "ohm", "hz", "rpm", "deg", "s", "percent", "c". A
/// bare number is in that unit already. Empty where there is no number at the beginning;
/// Error(kInput) that names the units where another follows it. Decimal point only; a fraction of
/// whole numbers is a number.
std::optional<double> read_quantity(const std::string& text, const std::string& unit);

/// How `unit` may be written behind a number ("mm", "cm", "in", …); empty for one that is none.
std::vector<std::string> written_units(const std::string& unit);

/// The unit at the end of an option's name: "arm-mm" → "mm"; empty where it has none of these.
std::string unit_of_option(const std::string& option);

}  // namespace loadline
