#include "fit/curves/runs_of.h"

#include <algorithm>

namespace loadline {

std::vector<Run> runs_of(const Book& book, const Part& subject, RunKind kind,
                         const std::vector<std::int64_t>& numbers) {
  RunFilter filter;
  filter.kind = kind;
  (subject.kind == PartKind::kMachine ? filter.machine : filter.motor) = subject.id;
  std::vector<Run> runs = book.runs(filter);
  if (!numbers.empty())
    std::erase_if(runs, [&](const Run& run) {
      return std::find(numbers.begin(), numbers.end(), run.id) == numbers.end();
    });
  return runs;
}

}  // namespace loadline
