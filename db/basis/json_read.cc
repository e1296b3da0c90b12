#include "db/basis/json_read.h"

#include <nlohmann/json.hpp>

namespace loadline {

std::optional<double> number_in(const Json& json, const char* key) {
  const auto found = json.is_object() ? json.find(key) : json.end();
  if (found == json.end() || !found->is_number()) return std::nullopt;
  return found->get<double>();
}

std::string text_in(const Json& json, const char* key) {
  const auto found = json.is_object() ? json.find(key) : json.end();
  return found != json.end() && found->is_string() ? found->get<std::string>() : "";
}

}  // namespace loadline
