#include <fmt/format.h>

#include <algorithm>
#include <cstdio>
#include <new>

#include "db/basis/command_line.h"
#include "db/care/evening_words.h"
#include "logger/belt_plan.h"
#include "logger/cautions.h"
#include "logger/verbs/verbs.h"

namespace {

/// The evening, and how far its belt plans have come.
std::string bench_words(const std::string& book_path) {
  using namespace loadline;
  std::string text = evening_of_book(book_path);
  if (text.empty()) return text;
  const Book book = Book::open(book_path, Book::Mode::kRead);
  std::string plans;
  for (const std::string& document : book.document_names("plan/")) {
    const BeltPlan plan = load_plan(book, document.substr(5));
    const std::vector<StepState> states = progress(book, plan);
    const auto done = std::count_if(states.begin(), states.end(),
                                    [](const StepState& state) { return state.top_speed != 0; });
    plans += fmt::format("  plan {} for {}: {} of {} steps done\n", plan.name, plan.machine, done,
                         states.size());
  }
  return text.insert(text.rfind("Next: "), plans);
}

}  // namespace

int main(int argc, char** argv) try {
  using namespace loadline;
  const Program program{
      "loadline-logger",
      "from the rig's line into the book",
      "Finds the rig, checks it, calibrates its load cell, and records runs into the book.",
      general_cautions(),
      {ports_verb(), probe_verb(), zero_verb(), calibrate_verb(), plan_verb(), record_verb(),
       watch_verb()},
      bench_words};
  return run_program(program, argc, argv);
} catch (const std::bad_alloc&) {  // before or after what run_program() looks after
  std::fputs("loadline-logger: out of memory; close other programs.\n", stderr);
  return static_cast<int>(loadline::Fault::kInput);
}
