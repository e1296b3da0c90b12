#include "logger/live/typed_number.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "db/basis/error.h"
#include "db/basis/language.h"
#include "db/basis/quantity.h"

namespace loadline {
namespace {

bool is_digit(char c) { return c >= '0' && c <= '9'; }

/// "1.500" where the decimal mark is a comma: a thousand and a half, or one and a half?
bool has_two_meanings(const std::string& text) {
  const auto point = text.find('.');
  if (point == std::string::npos || point == 0 || point > 3 || text.size() < point + 4)
    return false;
  const auto digits = [&](std::size_t from, std::size_t to) {
    return std::all_of(text.begin() + static_cast<std::ptrdiff_t>(from),
                       text.begin() + static_cast<std::ptrdiff_t>(to), is_digit);
  };
  return text[0] != '0' && digits(0, point) && digits(point + 1, point + 4) &&
         (text.size() == point + 4 || !is_digit(text[point + 4]));
}

std::string with_point(std::string text) {
  if (Language::of_locale().decimal_mark() != ",") return text;
  if (has_two_meanings(text))
    throw Error(Fault::kInput,
                fmt::format("'{}' can be read in two ways; write it without a mark between the "
                            "thousands, or with a comma before the decimals.",
                            text));
  for (std::size_t i = 1; i + 1 < text.size(); ++i)
    if (text[i] == ',' && is_digit(text[i - 1]) && is_digit(text[i + 1])) text[i] = '.';
  return text;
}

}  // namespace

std::optional<double> typed_number(const Json& object, const std::string& key,
                                   const std::string& unit) {
  const auto found = object.is_object() ? object.find(key) : object.end();
  if (found == object.end() || found->is_null()) return std::nullopt;
  if (found->is_number() && std::isfinite(found->get<double>())) return found->get<double>();
  if (!found->is_string()) throw Error(Fault::kInput, fmt::format("'{}' is no number.", key));
  std::string text = found->get<std::string>();
  const auto first = text.find_first_not_of(" \t");
  if (first == std::string::npos) return std::nullopt;
  text = text.substr(first, text.find_last_not_of(" \t") - first + 1);
  const auto value = read_quantity(with_point(text), unit);
  if (!value) throw Error(Fault::kInput, fmt::format("'{}' is no number.", text));
  return value;
}

}  // namespace loadline
