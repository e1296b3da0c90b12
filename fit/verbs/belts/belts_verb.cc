// loadline-fit belts: which belt lets the machine run fastest, by how much, and is it real?
#include <iostream>
#include <nlohmann/json.hpp>

#include "db/book.h"
#include "fit/belts/belt_answer.h"
#include "fit/history/evenings/belt_evenings.h"
#include "fit/verbs/belts/belt_verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

SessionOptions session_options(const Book& book, const Arguments& arguments) {
  SessionOptions options;
  if (const auto motor = arguments.text("motor"))
    options.motor = book.get(PartKind::kMotor, *motor).id;
  options.slip_band_percent = arguments.number("slip-band-percent");
  if (const auto band = arguments.number("supply-band-percent"))
    options.supply_band_percent = *band;
  if (const auto steady = arguments.number("steady-percent")) options.steady_percent = *steady;
  options.any_slip = arguments.flag("any-slip");
  if ((options.slip_band_percent && !(*options.slip_band_percent > 0)) ||
      !(options.supply_band_percent > 0) || !(options.steady_percent > 0))
    throw Error(Fault::kInput, "a band in per cent must be more than 0; give for example 15.");
  return options;
}

std::string without_final_line_feed(std::string text) {
  if (text.ends_with('\n')) text.pop_back();
  return text;
}

int run_belts(const Arguments& arguments) {
  const auto machine_name = arguments.text("machine");
  if (!machine_name)
    throw Error(Fault::kInput, "--machine is missing: name the machine that the belts ran on.");
  const Book book = Book::open(arguments.book_path(), Book::Mode::kRead);
  const Part machine = book.get(PartKind::kMachine, *machine_name);
  const BeltAnswer answer = answer_belts(book, machine, session_options(book, arguments));
  const auto another = another_evening(answer.comparison);
  if (arguments.json()) {
    Json document = to_json(answer);
    document["another_evening"] = another ? to_json(*another) : Json();
    print_json(document);
  } else if (const std::string text = to_text(answer); !text.empty()) {
    const bool of_evenings = answer.why_not.empty();
    say(arguments, without_final_line_feed(text + (of_evenings ? to_text(another) : "")));
  }
  for (const std::string& warning : answer.comparison.warnings) warn(warning);
  if (answer.why_not.empty()) return 0;
  std::cout.flush();
  std::cerr << program_name() << ": not comparable: " << answer.why_not << "\n";
  return static_cast<int>(Fault::kAnswerNo);
}

}  // namespace

Verb belts_verb() {
  Verb verb;
  verb.name = "belts";
  verb.words = "--machine K [--motor M]";
  verb.summary = "compare belts by the top speed that they let a machine reach";
  verb.description =
      "Takes the top-speed runs of the machine, finds the steady part of each and averages its\n"
      "hand-wheel speed over whole turns. Runs are compared only at one slip setting: each needs "
      "a\n"
      "slip check, whose creep speed (and torque) lies within a band about the session's median.\n"
      "The analysis works on the logarithm of speed with pulley pairs as blocks, corrects for the\n"
      "supply voltage, takes out a drift over the session when there is one, and gives every\n"
      "difference in per cent with limits that hold for all pairs at once (95 %). Belts that "
      "share\n"
      "a letter cannot be told apart. The run, with the belt set anew, is the unit of repetition.\n"
      "Where belts were compared on two evenings or more, what another evening will give follows\n"
      "from how they differ.\n"
      "A run whose speed wandered is kept, and named with how well its speed is known.\n"
      "Exit status 1: fewer than two belts could be compared; the refused runs say why.";
  verb.example =
      "loadline-fit belts --machine attic\nloadline-fit belts --machine attic --json "
      "--slip-band-percent 10";
  verb.most_names = 0;
  verb.options.add_options()("machine", po::value<std::string>()->value_name("K"),
                             "the machine that the belts ran on")(
      "motor", po::value<std::string>()->value_name("M"), "only runs with this motor")(
      "slip-band-percent", po::value<double>()->value_name("P"),
      "half width of the band about the median slip check that counts as one setting (four robust "
      "standard deviations of the checks, but 12 to 20)")(
      "supply-band-percent", po::value<double>()->value_name("P"),
      "refuse runs whose supply is further from the session's median (6)")(
      "steady-percent", po::value<double>()->value_name("P"),
      "largest change of speed over the steady part (1)")(
      "any-slip", po::bool_switch(),
      "compare whatever the slip setting was; the difference may then be the tension's");
  add_common_options(verb.options);
  verb.run = run_belts;
  return verb;
}

}  // namespace loadline
