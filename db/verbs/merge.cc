#include "db/exchange/merge.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include "db/basis/progress.h"
#include "db/verbs/verbs.h"

namespace loadline {
namespace {

Json merge_json(const MergeResult& result) {
  Json renamed = Json::array(), refused = Json::array();
  for (const auto& [there, here] : result.renamed)
    renamed.push_back({{"there", there}, {"here", here}});
  for (const auto& refusal : result.refused)
    refused.push_back({{"what", refusal.what}, {"reason", refusal.reason}});
  return {{"changed", result.changed()},
          {"parts_added", result.parts_added},
          {"parts_known", result.parts_known},
          {"parts_completed", result.parts_completed},
          {"renamed", renamed},
          {"runs_added", result.runs_added},
          {"runs_known", result.runs_known},
          {"calibrations_added", result.calibrations_added},
          {"curves_added", result.curves_added},
          {"zeros_added", result.zeros_added},
          {"events_added", result.events_added},
          {"pictures_added", result.pictures_added},
          {"documents_left", result.documents_left},
          {"refused", refused},
          {"differences", result.differences}};
}

std::string merge_text(const MergeResult& result, const std::string& path) {
  std::string text =
      result.changed()
          ? fmt::format(
                "Merged {}: {} parts, {} runs, {} calibrations, {} curves are new here; {} "
                "runs were known.",
                path, result.parts_added, result.runs_added.size(), result.calibrations_added,
                result.curves_added, result.runs_known)
          : fmt::format("Nothing new in {}: {} runs were known already.", path, result.runs_known);
  for (const auto& [there, here] : result.renamed)
    text += fmt::format("\n'{}' there is '{}' here: another part has its name.", there, here);
  if (result.documents_left > 0)
    text += fmt::format("\nSession plans and settings are not merged: {} stay{} in {}.",
                        result.documents_left, result.documents_left == 1 ? "s" : "", path);
  return text;
}

int run_merge(const Arguments& arguments) {
  const std::string& path = arguments.name(0, "the other book");
  const Book from = Book::open(path, Book::Mode::kRead);
  Book into = Book::open(arguments.book_path(), Book::Mode::kWrite);
  std::optional<Progress> progress;
  const MergeResult result = merge_books(into, from, [&](double done, double in_all) {
    if (!progress) progress.emplace("merge", in_all);
    progress->at(done);
  });
  progress.reset();
  for (const std::string& difference : result.differences) warn(difference + ".");
  for (const auto& refusal : result.refused)
    warn(fmt::format("{} of {} was not let in: {}.", refusal.what, path, refusal.reason));
  say(arguments, merge_text(result, path));
  if (arguments.json()) print_json(merge_json(result));
  return result.refused.empty() ? 0 : 1;
}

}  // namespace

Verb merge_verb() {
  Verb verb{
      "merge",
      "OTHER.book",
      "bring the parts and runs of another book into this one",
      "Parts and runs are the same when their UUID is, so merging twice changes nothing. A part "
      "whose name is taken here by another one is added with a number behind its name. A run "
      "whose rows were altered or are impossible, or that is still being recorded, is not let "
      "in, nor is a part that this book could not hold (exit status 1). OTHER.book is only read; "
      "its session plans and settings stay there.",
      "loadline-db merge attic.book --book bench.book",
      1,
      boost::program_options::options_description("Options"),
      run_merge};
  add_common_options(verb.options);
  return verb;
}

}  // namespace loadline
