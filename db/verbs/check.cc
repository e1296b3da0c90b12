#include "db/care/check.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "db/basis/progress.h"
#include "db/verbs/verbs.h"

namespace loadline {
namespace {

Json findings_json(const std::vector<Finding>& findings) {
  Json array = Json::array();
  for (const Finding& finding : findings)
    array.push_back({{"where", finding.where}, {"what", finding.what}});
  return array;
}

void say_findings(const Arguments& arguments, const std::vector<Finding>& findings) {
  for (const Finding& finding : findings)
    say(arguments, fmt::format("{}: {}", finding.where, finding.what));
}

int run_check(const Arguments& arguments) {
  const Book book = Book::open(arguments.book_path(), Book::Mode::kRead);
  std::optional<Progress> progress;
  const CheckResult result = check_book(book, [&](double done, double in_all) {
    if (!progress) progress.emplace("check", in_all);
    progress->at(done);
  });
  progress.reset();
  say_findings(arguments, result.findings);
  say_findings(arguments, result.notes);
  if (arguments.json())
    print_json({{"book", book.path()},
                {"sound", result.findings.empty()},
                {"runs", result.runs},
                {"rows", result.rows},
                {"findings", findings_json(result.findings)},
                {"notes", findings_json(result.notes)}});
  if (!result.findings.empty())
    throw Error(
        Fault::kBook,
        fmt::format("the book {} has {} fault{}; nothing was changed. Keep a copy of it as "
                    "it is, and go back to its last sound backup for what is named above.",
                    book.path(), result.findings.size(), result.findings.size() == 1 ? "" : "s"));
  say(arguments, fmt::format("{} is sound: {} runs with {} rows looked at.", book.path(),
                             result.runs, result.rows));
  return 0;
}

}  // namespace

Verb check_verb() {
  Verb verb{"check",
            "",
            "look for damage, orphans, altered and impossible data",
            "Every run's rows are read and compared with the count and the content hash that were "
            "stored when the run ended. Nothing is ever changed or repaired. Exit status 0 for a "
            "sound book, 4 otherwise.",
            "loadline-db check --book bench.book",
            0,
            boost::program_options::options_description("Options"),
            run_check};
  add_common_options(verb.options);
  return verb;
}

}  // namespace loadline
