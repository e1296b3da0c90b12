// What a report is about: motors and machines of the book with their stored curves.
#pragma once

#include <nlohmann/json.hpp>
#include <optional>
#include <string>
#include <vector>

#include "db/book.h"
#include "fit/curves/curve.h"

namespace loadline {

struct Subject {
  Part part;
  std::optional<StoredCurve> stored;
  std::optional<Curve> curve;  ///< of `stored`
  Json details;                ///< of `stored`: estimates, models, budget, points, warnings
};

struct Subjects {
  std::vector<Subject> motors, machines;
};

/// Parts named in `names` (Error(kInput) for one that the book does not hold), all when empty, with
/// the curve fitted last to each. A curve of an unknown model leaves `curve` empty and says so in
/// details["warnings"].
Subjects find_subjects(const Book& book, const std::vector<std::string>& motors,
                       const std::vector<std::string>& machines);

/// The object {"value", "low", "high", "unit"} back as an Estimate; unknown when it is none.
Estimate estimate_from_json(const Json& json);
Estimate detail(const Json& details, const char* key);
/// The strings of an array of strings, empty for anything else.
std::vector<std::string> texts_from_json(const Json& json);

}  // namespace loadline
