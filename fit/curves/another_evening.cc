#include "fit/curves/another_evening.h"

#include <nlohmann/json.hpp>

namespace loadline {

Json to_json(const AnotherEvening& another) {
  Json json = Json::object();
  for (const auto& [name, estimate] : another.results) json[name] = to_json(estimate);
  json["level"] = {{"relative_sd", json_number(another.level.relative_sd)},
                   {"degrees_of_freedom", json_number(another.level.degrees_of_freedom)},
                   {"sessions", another.level.sessions}};
  return json;
}

}  // namespace loadline
