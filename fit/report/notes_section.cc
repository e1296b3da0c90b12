// What people wrote down beside the numbers.
#include <fmt/format.h>

#include <algorithm>

#include "db/basis/web.h"
#include "db/care/pictures.h"
#include "fit/report/pages/sections.h"
#include "fit/report/pages/words.h"

namespace loadline {
namespace {

bool is_about(const std::vector<Subject>& subjects, std::int64_t id) {
  return std::any_of(subjects.begin(), subjects.end(),
                     [&](const Subject& subject) { return subject.part.id == id; });
}

std::string named(const Part& part, const Language& language) {
  std::string kind = language.words(part_kind_name(part.kind));
  kind = as_sentence(kind);
  kind.pop_back();
  return fmt::format("{} {}", kind, part.name);
}

// What was written and pictured, in the order in which the page shows it.
struct Kept {
  std::vector<std::string> notes;
  std::string figures;

  // `of` stands in the page's language.
  void picture(const std::string& of, const std::vector<Picture>& pictures) {
    for (const Picture& picture : pictures) {
      const std::string words = html_escape(fmt::format("{}: {}", of, picture.name));
      figures += fmt::format(
          "<figure class=\"picture\"><img src=\"data:{};base64,{}\" alt=\"{}\">"
          "<figcaption>{}</figcaption></figure>\n",
          picture.type, picture.base64, words, words);
    }
  }
};

}  // namespace

void notes_section(Page& page, const Book& book, const Subjects& subjects) {
  Kept kept;
  std::vector<std::string>& notes = kept.notes;
  const auto keep = [&](const Part& part) {
    const std::string name = named(part, page.language());
    if (!part.note.empty()) notes.push_back(fmt::format("{}: {}", name, part.note));
    kept.picture(name, pictures_of(book, part));
  };
  for (const auto* list : {&subjects.motors, &subjects.machines})
    for (const Subject& subject : *list) keep(subject.part);
  for (const PartKind kind : {PartKind::kPulley, PartKind::kBelt, PartKind::kRig})
    for (const Part& part : book.parts(kind)) keep(part);
  for (const Run& run : book.runs()) {
    if (!is_about(subjects.motors, run.motor) && !is_about(subjects.machines, run.machine))
      continue;
    const std::string which =
        page.language().words(fmt::format("Run {}, {}", run.id, run_kind_name(run.kind)));
    if (!run.note.empty()) notes.push_back(fmt::format("{}: {}", which, run.note));
    if (!run.aside.empty())
      notes.push_back(
          fmt::format("{}, {}: {}", which, page.language().words("put aside"), run.aside));
    kept.picture(which, pictures_of(book, run.uuid));
  }
  if (notes.empty() && kept.figures.empty()) return;
  page.section("notes", "Notes");
  if (!notes.empty()) page.quotes(notes);
  if (!kept.figures.empty()) page.html("<div class=\"pictures\">" + kept.figures + "</div>\n");
}

}  // namespace loadline
