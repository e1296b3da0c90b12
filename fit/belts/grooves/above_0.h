// What a calculation about belts must be given.
#pragma once

#include <fmt/format.h>

#include <cmath>

#include "db/basis/error.h"

namespace loadline {

/// Error(kInput) that says what is meant, unless `value` is a number above 0; `unit`, with a blank
/// before it, is put behind the 0.
inline void require_above_0(double value, const char* what, const char* unit = "") {
  if (!(value > 0) || !std::isfinite(value))
    throw Error(Fault::kInput, fmt::format("the {} must be above 0{}.", what, unit));
}

}  // namespace loadline
