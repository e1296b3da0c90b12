// loadline-fit groove: where a belt rides in a pulley's groove, and at what diameter it works.
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <iostream>

#include "db/basis/new_file.h"
#include "db/book.h"
#include "fit/belts/grooves/fit_check.h"
#include "fit/belts/grooves/seat.h"
#include "fit/verbs/belts/belt_verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

BeltSection section_from(const Part& belt) {
  std::string missing;
  const auto section = section_of(belt, missing);
  if (!section)
    throw Error(Fault::kInput,
                fmt::format("{} lacks sizes: give {} (or --round-mm for a round belt).", belt.name,
                            missing));
  return *section;
}

Groove groove_from(const Part& pulley, const BeltSection& belt) {
  std::string missing;
  if (const auto groove = groove_of(pulley, missing)) return *groove;
  if (belt.kind == BeltKind::kFlat) {
    Groove plain;
    plain.rim_mm = pulley.number("rim-mm").value_or(0);
    return plain;
  }
  throw Error(Fault::kInput, fmt::format("{} lacks sizes: give {}.", pulley.name, missing));
}

// Motor speed over hand-wheel speed with the partner; which is which is told by the pulleys' roles,
// else the smaller one is the motor's.
TrueRatio ratio_with(const Part& pulley, const Part& partner, const Part& belt) {
  const auto role = [](const Part& part) { return part.text("role").value_or(""); };
  bool motor_first = role(pulley) == "motor" || role(partner) == "hand";
  if (role(pulley).empty() && role(partner).empty())
    motor_first = pulley.number("rim-mm").value_or(0) <= partner.number("rim-mm").value_or(0);
  return motor_first ? true_ratio(pulley, partner, belt) : true_ratio(partner, pulley, belt);
}

int run_groove(const Arguments& arguments) {
  if (arguments.has("round-mm") && (arguments.has("width-mm") || arguments.has("height-mm")))
    throw Error(Fault::kInput,
                "--round-mm is for a round belt, --width-mm and --height-mm for another; give one "
                "or the other.");
  const Part belt = part_from(arguments, PartKind::kBelt, "belt");
  const Part pulley = part_from(arguments, PartKind::kPulley, "pulley");
  const BeltSection section = section_from(belt);
  const Groove groove = groove_from(pulley, section);
  const Seat seated = seat(section, groove);
  Json out = to_json(seated);
  std::string text = fmt::format("{}: {}.\n", seated.fits ? "Fits" : "Does not fit", seated.reason);
  if (seated.effective_diameter.value)
    text += fmt::format("Effective diameter {}\n", to_text(seated.effective_diameter));
  std::vector<std::string> warnings = seated.warnings;
  if (const auto partner = arguments.text("ratio")) {
    const Book book = Book::open(arguments.book_path(), Book::Mode::kRead);
    const TrueRatio ratio = ratio_with(pulley, book.get(PartKind::kPulley, *partner), belt);
    out["ratio"] = to_json(ratio.ratio);
    out["ratio_reason"] = ratio.reason;
    text += ratio.ratio.value
                ? fmt::format("True ratio {} from {}\n", to_text(ratio.ratio), ratio.reason)
                : "True ratio unknown: " + ratio.reason + "\n";
    warnings.insert(warnings.end(), ratio.warnings.begin(), ratio.warnings.end());
  }
  out["warnings"] = warnings;
  if (const auto path = arguments.text("output")) {
    write_file(*path, seat_drawing(section, groove, seated));
    out["drawing"] = *path;
    text += "Drawn to scale in " + *path + "\n";
  }
  if (arguments.json())
    print_json(out);
  else
    say(arguments, text.substr(0, text.size() - 1));  // its last line feed is say's
  for (const std::string& warning : warnings) warn(warning);
  return seated.fits ? 0 : static_cast<int>(Fault::kAnswerNo);
}

}  // namespace

Verb groove_verb() {
  Verb verb;
  verb.name = "groove";
  verb.words = "--belt B --pulley P [-o FILE.svg]";
  verb.summary = "tell where a belt rides in a groove, whether that fits, and the true ratio";
  verb.description =
      "Sizes come from the book's belt and pulley, or from the options below, which go before the\n"
      "book's. A V-belt must be held by its sides: on the bottom or on the rim it does not fit.\n"
      "The effective diameter is that of the belt's tension line where the belt rides. Measured\n"
      "sizes are taken as good to 0.05 mm (standard uncertainty).\n"
      "Exit status 1: the belt does not fit the groove.";
  verb.example =
      "loadline-fit groove --belt wedge --pulley small -o seat.svg\nloadline-fit groove --width-mm "
      "6.35 --height-mm 4 --groove-top-mm 6.5 --groove-depth-mm 5 --groove-angle-deg 38 --rim-mm "
      "20";
  verb.most_names = 0;
  verb.options.add_options()("belt", po::value<std::string>()->value_name("B"), "belt in the book")(
      "pulley", po::value<std::string>()->value_name("P"), "pulley in the book")(
      "ratio", po::value<std::string>()->value_name("PULLEY"),
      "also give the true ratio with this pulley of the book as the partner (measured pitch "
      "diameters count first)")("output,o", po::value<std::string>()->value_name("FILE.svg"),
                                "draw the section across belt and groove to scale");
  add_part_options(verb.options, PartKind::kBelt);
  add_part_options(verb.options, PartKind::kPulley);
  add_common_options(verb.options);
  verb.run = run_groove;
  return verb;
}

}  // namespace loadline
