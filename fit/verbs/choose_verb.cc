#include <fmt/format.h>

#include "db/basis/error.h"
#include "db/basis/new_file.h"
#include "db/book.h"
#include "fit/choose/choice_output.h"
#include "fit/report/plots/choice_plot.h"
#include "fit/verbs/belts/belt_verbs.h"
#include "fit/verbs/drive/drive_inputs.h"
#include "fit/verbs/verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

std::optional<double> above_zero(const Arguments& arguments, const char* option) {
  const auto value = arguments.number(option);
  if (value && !(*value > 0))
    throw Error(Fault::kInput, fmt::format("--{} must be more than 0.", option));
  return value;
}

Aims aims_from(const Arguments& arguments) {
  Aims aims;
  aims.least_rpm = above_zero(arguments, "least-rpm");
  aims.most_motor_rpm = above_zero(arguments, "most-motor-rpm");
  aims.least_needle_n = above_zero(arguments, "least-needle-n");
  aims.slow_spm = above_zero(arguments, "slow-spm");
  aims.most_drop_percent = above_zero(arguments, "most-drop-percent");
  aims.extra_nm = above_zero(arguments, "extra-nm");
  aims.supply_v = above_zero(arguments, "supply-v");
  if (aims.most_drop_percent && !aims.slow_spm)
    throw Error(
        Fault::kInput,
        "--most-drop-percent needs the slow speed that it is a part of: give --slow-spm N.");
  if (aims.most_drop_percent && *aims.most_drop_percent >= 100)
    throw Error(Fault::kInput, "--most-drop-percent must be below 100.");
  return aims;
}

DrawerOptions drawer_options(const Arguments& arguments) {
  DrawerOptions options;
  options.centres_mm = numbers_in(arguments, "centre-mm");
  for (const double centre : options.centres_mm)
    if (!(centre > 0)) throw Error(Fault::kInput, "--centre-mm must be more than 0.");
  options.diameter_sd_m = diameter_sd(arguments);
  options.supply_v = arguments.number("supply-v");
  return options;
}

int run_choose(const Arguments& arguments) {
  if (!arguments.has("machine"))
    throw Error(Fault::kInput,
                "choose needs --machine NAME; 'loadline-db list machines' shows the names.");
  const Aims aims = aims_from(arguments);
  const DrawerOptions options = drawer_options(arguments);
  const Book book = Book::open(arguments.book_path(), Book::Mode::kRead);
  const Drawer drawer =
      read_drawer(book, book.get(PartKind::kMachine, *arguments.text("machine")), options);
  if (drawer.motors.empty())
    throw Error(Fault::kInput,
                drawer.left_out.empty()
                    ? "the book holds no motor; add one with 'loadline-db add motor NAME', record "
                      "it and run loadline-fit motor NAME."
                    : drawer.left_out.front().reason + ".");
  if (drawer.pulleys.empty())
    throw Error(Fault::kInput,
                "the book holds no pulley with a diameter; add them with 'loadline-db add pulley "
                "NAME --role motor|hand --pitch-mm D'.");
  ChoiceOptions choosing;
  choosing.seed = static_cast<std::uint64_t>(arguments.whole("seed").value_or(1));
  const DrawerChoice choice = choose(drawer, aims, choosing);
  if (const auto path = arguments.text("svg"))
    write_file(*path, to_svg(choice_plot(drawer, aims, choice, "choice"), true));
  if (arguments.json())
    print_json(to_json(drawer, aims, choice));
  else
    say(arguments, to_text(drawer, aims, choice));
  for (const std::string& warning : drawer.warnings) warn(warning);
  for (const std::string& warning : choice.warnings) warn(warning);
  return choice.met() ? 0 : static_cast<int>(Fault::kAnswerNo);
}

void add_options(po::options_description& options) {
  const auto number = [] { return po::value<double>(); };
  options.add_options()("machine", po::value<std::string>()->value_name("NAME"),
                        "the machine; its drag must be fitted")(
      "least-rpm", number()->value_name("N"),
      "top speed of the hand wheel that it must reach, with --extra-nm under the cloth")(
      "most-motor-rpm", number()->value_name("N"),
      "speed that the motor must stay below, for its noise")(
      "least-needle-n", number()->value_name("F"),
      "force at the needle, at mid-stroke from standstill")("slow-spm", number()->value_name("N"),
                                                            "slow stitching, stitches a minute")(
      "most-drop-percent", number()->value_name("P"),
      "how far that speed may fall as the cloth comes under the foot (--extra-nm, else 0.05 N·m), "
      "the pedal held; a resistance pedal, or a lowered voltage for motors without one")(
      "extra-nm", number()->value_name("T"), "torque that the cloth takes, at the hand wheel")(
      "supply-v", number()->value_name("V"),
      "all motors on this supply voltage (else as measured)")(
      "centre-mm", po::value<std::string>()->value_name("A,B"),
      "least and greatest distance of motor and hand wheel: leaves out belts of the wrong length")(
      "diameter-sd-mm", number()->value_name("U"),
      "standard uncertainty of effective diameters (else as drive)")(
      "svg", po::value<std::string>()->value_name("FILE"),
      "the best few with their intervals as a picture, aims as lines")(
      "seed", po::value<long long>()->value_name("S"), "of the draws (else 1)");
}

}  // namespace

Verb choose_verb() {
  Verb verb;
  verb.name = "choose";
  verb.words = "--machine K [--least-rpm N] [--most-motor-rpm N] [--least-needle-n F] …";
  verb.summary = "choose motor, pulleys and belt from the whole book, and say when it is enough";
  verb.description =
      "Judges every motor, pulley pair and belt of the book that fit together: the chance that "
      "all\n"
      "aims are met, from one set of draws of all curves, pulleys and belts, so that what two\n"
      "candidates share cancels out; where a curve has runs of several evenings, that of another\n"
      "evening. The limits in the book (max-rpm of motor and machine) are\n"
      "always aims too; without others the chance is that of keeping these.\n"
      "First come those that meet the aims with 95 %, the fastest first; then the others, by "
      "their\n"
      "chance. The first is right where it meets the aims and nothing that does is faster by more\n"
      "than 1 %; where that is 95 % sure the choice is settled, and enough has been measured. "
      "Else\n"
      "it says which run would do most for the choice per minute at the bench.\n"
      "Exit status 1 when nothing meets the aims with a chance of 95 %.\n"
      "\n"
      "A held rotor overheats in seconds: needle force is for starting, not for holding.";
  verb.example =
      "loadline-fit choose --machine K1\n"
      "loadline-fit choose --machine K1 --least-rpm 1200 --most-motor-rpm 8000 --least-needle-n "
      "100\n"
      "loadline-fit choose --machine K1 --slow-spm 100 --most-drop-percent 30 --extra-nm 0.05 "
      "--svg choice.svg";
  verb.most_names = 0;
  add_options(verb.options);
  add_common_options(verb.options);
  verb.run = run_choose;
  return verb;
}

}  // namespace loadline
