#include "db/care/join.h"

#include <fmt/format.h>
#include <fmt/ranges.h>
#include <nlohmann/json.hpp>

#include "db/verbs/verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

int run_join(const Arguments& arguments) {
  const PartKind kind = part_kind_of(arguments.name(0, "the kind of part"));
  const char* word = part_kind_name(kind);
  const std::string& name = arguments.name(1, fmt::format("the name of the {}", word));
  const auto into = arguments.text("into");
  if (!into)
    throw Error(Fault::kInput, fmt::format("--into is missing; it names the {} that stays.", word));
  Book book = Book::open(arguments.book_path(), Book::Mode::kWrite);
  const JoinResult result = join_parts(book, kind, name, *into);
  for (const std::string& difference : result.differences) warn(difference + ".");
  std::string text = fmt::format(
      "{0} '{1}' is now '{2}'; its runs: {3}.", word, name, *into,
      result.runs.empty() ? std::string("none") : fmt::format("{}", fmt::join(result.runs, ", ")));
  const bool fitted = kind == PartKind::kMotor || kind == PartKind::kMachine;
  if (fitted && !result.runs.empty())
    text += fmt::format(" Fit its curve again: loadline-fit {} '{}'.",
                        kind == PartKind::kMotor ? "motor" : "drag", *into);
  say(arguments, text);
  if (arguments.json())
    print_json({{"kind", word},
                {"joined", name},
                {"into", *into},
                {"runs", result.runs},
                {"curves", result.curves},
                {"completed", result.completed},
                {"differences", result.differences}});
  return 0;
}

}  // namespace

Verb join_verb() {
  Verb verb{"join",
            "KIND NAME --into NAME",
            "make one part of two that are the same",
            "All runs, calibrations, curves and events of the first part belong to the second one "
            "from then on, and its name goes on meaning that one. What was measured is not "
            "touched. Fields that only the first part knew are taken over.",
            "loadline-db join motor \"heron 70\" --into \"Heron 70\"",
            2,
            po::options_description("Options"),
            run_join};
  verb.options.add_options()("into", po::value<std::string>()->value_name("NAME"),
                             "the part that stays");
  add_common_options(verb.options);
  verb.first_words = "rig motor machine pulley belt";
  verb.names_from = "first word";
  return verb;
}

}  // namespace loadline
