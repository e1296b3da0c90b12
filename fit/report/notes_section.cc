// What people wrote down beside the numbers.
#include <fmt/format.h>

#include <algorithm>

#include "fit/report/sections.h"

namespace loadline {
namespace {

bool is_about(const std::vector<Subject>& subjects, std::int64_t id) {
  return std::any_of(subjects.begin(), subjects.end(),
                     [&](const Subject& subject) { return subject.part.id == id; });
}

std::string headed(const Part& part) {
  std::string kind = part_kind_name(part.kind);
  kind[0] = static_cast<char>(kind[0] - 'a' + 'A');
  return fmt::format("{} {}: {}", kind, part.name, part.note);
}

}  // namespace

void notes_section(Page& page, const Book& book, const Subjects& subjects) {
  std::vector<std::string> notes;
  for (const auto* list : {&subjects.motors, &subjects.machines})
    for (const Subject& subject : *list)
      if (!subject.part.note.empty()) notes.push_back(headed(subject.part));
  for (const PartKind kind : {PartKind::kPulley, PartKind::kBelt, PartKind::kRig})
    for (const Part& part : book.parts(kind))
      if (!part.note.empty()) notes.push_back(headed(part));
  for (const Run& run : book.runs()) {
    if (!is_about(subjects.motors, run.motor) && !is_about(subjects.machines, run.machine))
      continue;
    const std::string which = fmt::format("Run {}, {}", run.id, run_kind_name(run.kind));
    if (!run.note.empty()) notes.push_back(fmt::format("{}: {}", which, run.note));
    if (!run.aside.empty()) notes.push_back(fmt::format("{}, put aside: {}", which, run.aside));
  }
  if (notes.empty()) return;
  page.section("notes", "Notes");
  page.list(notes);
}

}  // namespace loadline
