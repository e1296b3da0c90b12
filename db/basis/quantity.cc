#include "db/basis/quantity.h"

#include <fmt/format.h>

#include <algorithm>
#include <charconv>
#include <cmath>
#include <vector>

#include "db/basis/error.h"

namespace loadline {
namespace {

/// How people write a unit, and how much of the option's unit one is.
struct Written {
  const char* word;
  double factor;
};
struct Unit {
  const char* name;
  std::vector<Written> written;
};

// The inch is 25.4 mm exactly (international yard and pound agreement, 1959); gf·cm by standard
// gravity, 9.80665 m/s² (ISO 80000-3).
const std::vector<Unit>& units() {
  static const std::vector<Unit> kUnits = {
      {"mm", {{"mm", 1}, {"cm", 10}, {"m", 1000}, {"in", 25.4}, {"\"", 25.4}, {"inch", 25.4}}},
      {"g", {{"g", 1}, {"kg", 1000}, {"mg", 1e-3}}},
      {"kgm2",
       {{"kgm2", 1},
        {"kgm²", 1},
        {"gcm2", 1e-7},
        {"gcm²", 1e-7},
        {"kgcm2", 1e-4},
        {"kgcm²", 1e-4}}},
      {"nm",
       {{"Nm", 1},
        {"nm", 1},
        {"mNm", 1e-3},
        {"mnm", 1e-3},
        {"Ncm", 1e-2},
        {"gcm", 9.80665e-5},
        {"gfcm", 9.80665e-5}}},
      {"n", {{"N", 1}, {"n", 1}, {"mN", 1e-3}, {"kN", 1e3}}},
      {"v", {{"V", 1}, {"v", 1}, {"mV", 1e-3}}},
      {"a", {{"A", 1}, {"a", 1}, {"mA", 1e-3}}},
      {"w", {{"W", 1}, {"w", 1}, {"kW", 1e3}}},
      {"ohm", {{"ohm", 1}, {"Ω", 1}, {"kohm", 1e3}, {"kΩ", 1e3}}},
      {"hz", {{"Hz", 1}, {"hz", 1}, {"kHz", 1e3}}},
      {"rpm", {{"rpm", 1}, {"1/min", 1}, {"/min", 1}}},
      {"deg", {{"deg", 1}, {"°", 1}}},
      {"s", {{"s", 1}, {"ms", 1e-3}, {"min", 60}}},
      {"percent", {{"percent", 1}, {"%", 1}}},
      {"c", {{"C", 1}, {"°C", 1}, {"c", 1}}},
  };
  return kUnits;
}

/// Without blanks and dots between factors: "N·m" and "kg m²" are read as "Nm" and "kgm²".
std::string closed_up(std::string text) {
  for (const char* between : {" ", "·", "*", "\xc2\xa0", "\xe2\x80\xaf"})
    for (auto at = text.find(between); at != std::string::npos; at = text.find(between))
      text.erase(at, std::string(between).size());
  return text;
}

/// The number at the beginning, and what follows it.
std::optional<double> number_before(const std::string& text, std::string& rest) {
  const char* const end = text.data() + text.size();
  const char* from = text.data();
  if (from != end && *from == '+') ++from;
  double value = 0;
  auto [after, error] = std::from_chars(from, end, value);
  if (error != std::errc() || !std::isfinite(value)) return std::nullopt;
  if (after != end && *after == '/') {  // a fraction of an inch, as drills and shafts are sold
    double below = 0;
    const auto [behind, wrong] = std::from_chars(after + 1, end, below);
    if (wrong == std::errc() && below > 0 && below == std::floor(below) &&
        value == std::floor(value)) {
      value /= below;
      after = behind;
    }
  }
  rest.assign(after, end);
  return value;
}

}  // namespace

std::optional<double> read_quantity(const std::string& text, const std::string& unit) {
  std::string rest;
  const auto value = number_before(text, rest);
  if (!value) return std::nullopt;
  rest = closed_up(rest);
  if (rest.empty()) return value;
  const auto& all = units();
  const auto of =
      std::find_if(all.begin(), all.end(), [&](const Unit& known) { return unit == known.name; });
  std::string words;
  if (of != all.end())
    for (const Written& written : of->written) {
      if (rest == written.word) return *value * written.factor;
      words += (words.empty() ? "" : ", ") + std::string(written.word);
    }
  throw Error(Fault::kInput,
              words.empty()
                  ? fmt::format("'{}': write the number alone.", text)
                  : fmt::format("'{}': '{}' is no unit for it; write the number alone, or "
                                "with one of {}.",
                                text, rest, words));
}

std::vector<std::string> written_units(const std::string& unit) {
  std::vector<std::string> words;
  for (const Unit& known : units())
    if (unit == known.name)
      for (const Written& written : known.written) words.emplace_back(written.word);
  return words;
}

std::string unit_of_option(const std::string& option) {
  const auto dash = option.rfind('-');
  const std::string last = dash == std::string::npos ? option : option.substr(dash + 1);
  const auto& all = units();
  const bool known =
      std::any_of(all.begin(), all.end(), [&](const Unit& unit) { return last == unit.name; });
  return known && dash != std::string::npos ? last : "";
}

}  // namespace loadline
