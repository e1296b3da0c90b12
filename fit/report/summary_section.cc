#include <nlohmann/json.hpp>

#include <algorithm>

#include "fit/report/pages/sections.h"
#include "fit/report/pages/words.h"

namespace loadline {
namespace {

void motors_table(Page& page, const std::vector<Subject>& motors) {
  Table table{"summary-motors",
              "Motors",
              {{"Motor", "", false},
               {"Peak power", "W", true},
               {"at", "rpm", true},
               {"Standstill torque", "N·m", true},
               {"Speed without load", "rpm", true},
               {"Curve", "", false, true}},
              {}};
  for (const Subject& motor : motors)
    table.rows.push_back({motor.part.name, detail(motor.details, "peak_power"),
                          detail(motor.details, "peak_power_speed"),
                          detail(motor.details, "stall_torque"),
                          detail(motor.details, "no_load_speed"),
                          motor.stored ? motor.stored->model : std::string("not fitted")});
  page.table(std::move(table));
}

void machines_table(Page& page, const std::vector<Subject>& machines) {
  Table table{"summary-machines",
              "Machines: drag c0 + c1·ω + c2·ω² at the hand wheel",
              {{"Machine", "", false},
               {"c0", "N·m", true},
               {"c1", "N·m·s", true},
               {"c2", "N·m·s²", true},
               {"Inertia", "kg·m²", true}},
              {}};
  for (const Subject& machine : machines)
    table.rows.push_back({machine.part.name, detail(machine.details, "c0"),
                          detail(machine.details, "c1"), detail(machine.details, "c2"),
                          detail(machine.details, "inertia")});
  page.table(std::move(table));
}

}  // namespace

void shared_cautions(Page& page, const std::vector<Subject>& subjects) {
  std::vector<std::pair<std::string, std::string>> found;  // sentence, names
  for (const Subject& subject : subjects) {
    const auto warnings = subject.details.find("warnings");
    if (warnings == subject.details.end()) continue;
    for (const std::string& sentence : texts_from_json(*warnings)) {
      const auto same = std::find_if(found.begin(), found.end(),
                                     [&](const auto& one) { return one.first == sentence; });
      if (same == found.end())
        found.emplace_back(sentence, subject.part.name);
      else
        same->second += ", " + subject.part.name;
    }
  }
  std::vector<std::string> sentences;
  sentences.reserve(found.size());
  for (const auto& [sentence, names] : found)
    sentences.push_back(names + ": " + as_sentence(page.language().words(sentence)));
  page.cautions("Read these numbers with care", sentences, true);
}

void summary_section(Page& page, const Subjects& subjects) {
  page.turn_to(Page::Part::kExpert);
  page.section("summary", "All results");
  if (!subjects.motors.empty()) motors_table(page, subjects.motors);
  if (!subjects.machines.empty()) machines_table(page, subjects.machines);
  page.turn_to(Page::Part::kFront);
}

}  // namespace loadline
