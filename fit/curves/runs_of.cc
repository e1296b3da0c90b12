#include "fit/curves/runs_of.h"

#include <fmt/format.h>

#include <algorithm>

namespace loadline {

std::vector<Run> runs_of(const Book& book, const Part& subject, RunKind kind,
                         const std::vector<std::int64_t>& numbers,
                         std::vector<std::string>* left_out) {
  RunFilter filter;
  filter.kind = kind;
  filter.with_open = !numbers.empty();
  (subject.kind == PartKind::kMachine ? filter.machine : filter.motor) = subject.id;
  std::vector<Run> runs = book.runs(filter);
  if (!numbers.empty())
    std::erase_if(runs, [&](const Run& run) {
      return std::find(numbers.begin(), numbers.end(), run.id) == numbers.end();
    });
  for (const Run& run : runs)
    if (left_out && !run.aside.empty()) left_out->push_back(aside_words(run));
  std::erase_if(runs, [](const Run& run) { return !run.aside.empty(); });
  return runs;
}

std::string aside_words(const Run& run) {
  return fmt::format("Run {} was left out: it is put aside ({}).", run.id, run.aside);
}

}  // namespace loadline
