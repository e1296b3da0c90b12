// Reading JSON that somebody else may have written: a document or the details of a curve in a book
// from another bench. What is absent or of another type than expected is simply not there.
#pragma once

#include <optional>
#include <string>

#include "db/basis/estimate.h"

namespace loadline {

inline std::optional<double> number_in(const Json& json, const char* key) {
  const auto found = json.is_object() ? json.find(key) : json.end();
  if (found == json.end() || !found->is_number()) return std::nullopt;
  return found->get<double>();
}

inline std::string text_in(const Json& json, const char* key) {
  const auto found = json.is_object() ? json.find(key) : json.end();
  return found != json.end() && found->is_string() ? found->get<std::string>() : "";
}

}  // namespace loadline
