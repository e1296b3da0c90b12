// Reading JSON that somebody else may have written: a document or the details of a curve in a book
// from another bench. What is absent or of another type than expected is simply not there.
#pragma once

#include <optional>
#include <string>

#include "db/basis/estimate.h"

namespace loadline {

/// json[key] where it is a number.
std::optional<double> number_in(const Json& json, const char* key);
/// json[key] where it is a text, else "".
std::string text_in(const Json& json, const char* key);

}  // namespace loadline
