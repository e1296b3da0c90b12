#include "fit/report/pages/subjects.h"

#include <nlohmann/json.hpp>

#include "db/basis/json_read.h"

namespace loadline {
namespace {

Subject subject_of(const Book& book, const Part& part) {
  Subject subject{part, book.latest_curve(part.kind == PartKind::kMachine, part.id), {}, {}};
  if (!subject.stored) return subject;
  subject.details = Json::parse(subject.stored->details_json, nullptr, false);
  if (!subject.details.is_object()) subject.details = Json::object();
  try {
    subject.curve = Curve::from_stored(*subject.stored);
  } catch (const Error& error) {
    Json& warnings = subject.details["warnings"];
    if (!warnings.is_array()) warnings = Json::array();
    warnings.push_back(error.what());
  }
  return subject;
}

std::vector<Subject> subjects_of(const Book& book, PartKind kind,
                                 const std::vector<std::string>& names) {
  std::vector<Subject> subjects;
  if (names.empty())
    for (const Part& part : book.parts(kind)) subjects.push_back(subject_of(book, part));
  for (const std::string& name : names) subjects.push_back(subject_of(book, book.get(kind, name)));
  return subjects;
}

}  // namespace

Subjects find_subjects(const Book& book, const std::vector<std::string>& motors,
                       const std::vector<std::string>& machines) {
  const bool all = motors.empty() && machines.empty();
  Subjects subjects;
  if (all || !motors.empty()) subjects.motors = subjects_of(book, PartKind::kMotor, motors);
  if (all || !machines.empty()) subjects.machines = subjects_of(book, PartKind::kMachine, machines);
  return subjects;
}

Estimate estimate_from_json(const Json& json) {
  return {number_in(json, "value"), number_in(json, "low"), number_in(json, "high"),
          text_in(json, "unit")};
}

Estimate detail(const Json& details, const char* key) {
  const auto found = details.is_object() ? details.find(key) : details.end();
  return found == details.end() ? Estimate::unknown("") : estimate_from_json(*found);
}

std::vector<std::string> texts_from_json(const Json& json) {
  std::vector<std::string> texts;
  if (json.is_array())
    for (const Json& item : json)
      if (item.is_string()) texts.push_back(item.get<std::string>());
  return texts;
}

}  // namespace loadline
