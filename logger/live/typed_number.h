// Numbers as the page sends them: what a person typed, with its unit or without.
#pragma once

#include <optional>
#include <string>

#include "db/basis/estimate.h"

namespace loadline {

/// The field `key` of `object` in `unit` (see read_quantity): a number, or a text such as "100 g"
/// or "1/4in" whose decimal mark is that of the locale, or a point. Empty where there is none;
/// Error(kInput) for what is no number, has another unit, or can be read in two ways.
std::optional<double> typed_number(const Json& object, const std::string& key,
                                   const std::string& unit);

}  // namespace loadline
