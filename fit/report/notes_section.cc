// What people wrote down beside the numbers.
#include <fmt/format.h>

#include <algorithm>

#include "fit/report/sections.h"
#include "fit/report/words.h"

namespace loadline {
namespace {

bool is_about(const std::vector<Subject>& subjects, std::int64_t id) {
  return std::any_of(subjects.begin(), subjects.end(),
                     [&](const Subject& subject) { return subject.part.id == id; });
}

std::string headed(const Part& part, const Language& language) {
  std::string kind = language.words(part_kind_name(part.kind));
  kind = as_sentence(kind);
  kind.pop_back();
  return fmt::format("{} {}: {}", kind, part.name, part.note);
}

}  // namespace

void notes_section(Page& page, const Book& book, const Subjects& subjects,
                   const std::vector<Picture>& pictures) {
  std::vector<std::string> notes;
  for (const auto* list : {&subjects.motors, &subjects.machines})
    for (const Subject& subject : *list)
      if (!subject.part.note.empty()) notes.push_back(headed(subject.part, page.language()));
  for (const PartKind kind : {PartKind::kPulley, PartKind::kBelt, PartKind::kRig})
    for (const Part& part : book.parts(kind))
      if (!part.note.empty()) notes.push_back(headed(part, page.language()));
  for (const Run& run : book.runs()) {
    if (!is_about(subjects.motors, run.motor) && !is_about(subjects.machines, run.machine))
      continue;
    const std::string which =
        page.language().words(fmt::format("Run {}, {}", run.id, run_kind_name(run.kind)));
    if (!run.note.empty()) notes.push_back(fmt::format("{}: {}", which, run.note));
    if (!run.aside.empty())
      notes.push_back(
          fmt::format("{}, {}: {}", which, page.language().words("put aside"), run.aside));
  }
  if (notes.empty() && pictures.empty()) return;
  page.section("notes", notes.empty()      ? "Pictures"
                        : pictures.empty() ? "Notes"
                                           : "Notes and pictures");
  if (!notes.empty()) page.quotes(notes);
  page.pictures(pictures);
}

}  // namespace loadline
