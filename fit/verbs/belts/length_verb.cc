// loadline-fit length: which length to order, how much play it has, and which belts of the book
// fit.
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <filesystem>
#include <iostream>

#include "db/basis/units.h"
#include "db/book.h"
#include "fit/belts/grooves/fit_check.h"
#include "fit/belts/grooves/length.h"
#include "fit/belts/grooves/seat.h"
#include "fit/verbs/belts/belt_verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

struct LengthQuestion {
  LengthWanted wanted;
  std::vector<std::pair<double, DriveLength>> positions;  // centre distance, geometry there
  double big_mm = 0, small_mm = 0;
};

LengthWanted wanted_from_positions(const std::vector<std::pair<double, DriveLength>>& positions) {
  std::vector<double> lengths;
  lengths.reserve(positions.size() + 1);
  for (const auto& [centre, geometry] : positions) lengths.push_back(geometry.length_mm);
  if (lengths.size() == 2) lengths.insert(lengths.begin() + 1, (lengths[0] + lengths[1]) / 2);
  return wanted_from_cords(lengths);
}

// Diameters from options, else from the book's pulleys where the belt rides.
void set_diameters(const Arguments& arguments, const Part& belt, LengthQuestion& question) {
  question.big_mm = arguments.number("big-mm").value_or(0);
  question.small_mm = arguments.number("small-mm").value_or(0);
  const auto motor = arguments.text("motor-pulley"), hand = arguments.text("hand-pulley");
  if (!motor || !hand) return;
  const Book book = Book::open(arguments.book_path(), Book::Mode::kRead);
  const TrueRatio ratio =
      true_ratio(book.get(PartKind::kPulley, *motor), book.get(PartKind::kPulley, *hand), belt);
  for (const std::string& warning : ratio.warnings) warn(warning);
  if (!ratio.ratio.value) throw Error(Fault::kInput, ratio.reason + ".");
  std::tie(question.small_mm, question.big_mm) =
      std::minmax(*ratio.motor_diameter.value, *ratio.hand_diameter.value);
}

LengthQuestion question_from(const Arguments& arguments, const Part& belt) {
  LengthQuestion question;
  const auto cords = numbers_in(arguments, "cord-mm");
  const auto centres = numbers_in(arguments, "centre-mm");
  set_diameters(arguments, belt, question);
  if (cords.empty() == centres.empty())
    throw Error(Fault::kInput,
                "give either --cord-mm (three cord lengths) or --centre-mm with --big-mm and "
                "--small-mm.");
  if (!cords.empty()) {
    question.wanted = wanted_from_cords(cords);
    return question;
  }
  if (centres.size() > 3) throw Error(Fault::kInput, "--centre-mm takes one to three distances.");
  if (!(question.big_mm > 0) || !(question.small_mm > 0))
    throw Error(Fault::kInput,
                "--centre-mm needs the diameters: give --big-mm and --small-mm, or --motor-pulley "
                "and --hand-pulley.");
  for (const double centre : centres)
    question.positions.emplace_back(centre,
                                    open_length({centre, question.big_mm, question.small_mm}));
  question.wanted = wanted_from_positions(question.positions);
  return question;
}

struct Candidate {
  std::string name;
  double outside_mm = 0, line_mm = 0;
};

// The tension-line length of a belt of the book; empty when it has no length.
std::optional<Candidate> candidate_of(const Part& belt) {
  const auto outside = belt.number("length-mm");
  if (!outside) return std::nullopt;
  std::string missing;
  const auto section = section_of(belt, missing);
  const double line =
      section ? tension_line_length(*outside, section->height_mm, section->kind == BeltKind::kV)
              : *outside;
  return Candidate{belt.name, *outside, line};
}

std::vector<Candidate> candidates_of(const Arguments& arguments) {
  std::vector<Candidate> candidates;
  const bool asked = arguments.has("book") || arguments.has("belt");
  if (!asked && !std::filesystem::exists(arguments.book_path())) return candidates;
  const Book book = Book::open(arguments.book_path(), Book::Mode::kRead);
  for (const Part& belt : book.parts(PartKind::kBelt))
    if (const auto candidate = candidate_of(belt)) candidates.push_back(*candidate);
  return candidates;
}

// Without a known travel a belt within half a per cent counts as the length itself.
bool fits(const LengthWanted& wanted, double line_mm) {
  return wanted.shortest_mm ? wanted.takes(line_mm)
                            : std::abs(line_mm - wanted.order_mm) <= 0.005 * wanted.order_mm;
}

Json json_of(const LengthQuestion& question, const std::vector<Candidate>& candidates) {
  const LengthWanted& wanted = question.wanted;
  const auto mm = [](double value) { return to_json(Estimate::exact(value, "mm")); };
  Json out{{"length", mm(wanted.order_mm)}};
  if (wanted.shortest_mm) {
    out["shortest"] = mm(*wanted.shortest_mm);
    out["longest"] = mm(*wanted.longest_mm);
    out["play_shorter"] = mm(wanted.order_mm - *wanted.shortest_mm);
    out["play_longer"] = mm(*wanted.longest_mm - wanted.order_mm);
  }
  out["positions"] = Json::array();
  for (const auto& [centre, geometry] : question.positions)
    out["positions"].push_back({{"centre_mm", centre},
                                {"length_mm", geometry.length_mm},
                                {"span_mm", geometry.span_mm},
                                {"small_wrap_deg", deg_from_rad(geometry.small_wrap_rad)},
                                {"big_wrap_deg", deg_from_rad(geometry.big_wrap_rad)}});
  out["numbers"] = Json::array();
  for (const char* section : {"2L", "3L", "4L"}) {
    const LightDutyNumber number = light_duty_number(section, wanted.order_mm);
    out["numbers"].push_back({{"section", section},
                              {"name", number.name},
                              {"outside_mm", number.outside_mm},
                              {"length_mm", number.tension_line_mm},
                              {"fits", fits(wanted, number.tension_line_mm)}});
  }
  out["belts"] = Json::array();
  for (const Candidate& belt : candidates)
    out["belts"].push_back({{"name", belt.name},
                            {"outside_mm", belt.outside_mm},
                            {"length_mm", belt.line_mm},
                            {"fits", fits(wanted, belt.line_mm)}});
  out["warnings"] = Json::array();
  return out;
}

std::string text_of(const LengthQuestion& question, const std::vector<Candidate>& candidates) {
  const LengthWanted& wanted = question.wanted;
  std::string text = fmt::format("Order {:.1f} mm along the tension line", wanted.order_mm);
  if (wanted.shortest_mm)
    text +=
        fmt::format("; it may come out {:.1f} mm shorter or {:.1f} mm longer",
                    wanted.order_mm - *wanted.shortest_mm, *wanted.longest_mm - wanted.order_mm);
  text += "\n";
  for (const auto& [centre, geometry] : question.positions)
    text += fmt::format(
        "At {:.1f} mm centre distance: {:.2f} mm, wraps {:.1f}° and {:.1f}°, free "
        "span {:.1f} mm\n",
        centre, geometry.length_mm, deg_from_rad(geometry.small_wrap_rad),
        deg_from_rad(geometry.big_wrap_rad), geometry.span_mm);
  for (const char* section : {"2L", "3L", "4L"}) {
    const LightDutyNumber number = light_duty_number(section, wanted.order_mm);
    text += fmt::format("Nearest {} by number: {} ({:.1f} mm outside, {:+.1f} mm off)\n", section,
                        number.name, number.outside_mm, number.tension_line_mm - wanted.order_mm);
  }
  for (const Candidate& belt : candidates)
    text += fmt::format(
        "Belt {} ({:.1f} mm outside): {}\n", belt.name, belt.outside_mm,
        fits(wanted, belt.line_mm)
            ? "fits"
            : fmt::format("too {} by {:.1f} mm", belt.line_mm < wanted.order_mm ? "short" : "long",
                          std::abs(belt.line_mm - wanted.order_mm)));
  return text;
}

int run_length(const Arguments& arguments) {
  const Part belt = part_from(arguments, PartKind::kBelt, "belt");
  const LengthQuestion question = question_from(arguments, belt);
  const auto candidates = candidates_of(arguments);
  if (arguments.json())
    print_json(json_of(question, candidates));
  else
    std::cout << text_of(question, candidates);
  if (!arguments.has("belt")) return 0;
  const auto candidate = candidate_of(belt);
  if (!candidate)
    throw Error(Fault::kInput,
                fmt::format("belt {} has no length in the book; give --length-mm.", belt.name));
  return fits(question.wanted, candidate->line_mm) ? 0 : static_cast<int>(Fault::kAnswerNo);
}

}  // namespace

Verb length_verb() {
  Verb verb;
  verb.name = "length";
  verb.words = "(--cord-mm LOW,MIDDLE,HIGH | --centre-mm C[,C2[,C3]] --big-mm D --small-mm D)";
  verb.summary = "tell which belt length to order and which belts of the book fit";
  verb.description =
      "Either wind a cord in the belt's place with the motor lowest, in the middle and highest of\n"
      "its travel, or give centre distances and effective diameters. The length to order is that "
      "of\n"
      "the middle; the play is what the travel takes up either way. Lengths run along the belt's\n"
      "tension line; outside lengths (the book's, and the numbers of light-duty belts, which are\n"
      "tenths of an inch) are longer by 2 pi x 0.34 x the height of a V-belt. Without travel a "
      "belt\n"
      "within half a per cent counts as fitting.\n"
      "Exit status 1: the belt named by --belt does not fit.";
  verb.example =
      "loadline-fit length --cord-mm 588,601,615\nloadline-fit length --centre-mm 205,210,215 "
      "--big-mm 90 --small-mm 18";
  verb.most_names = 0;
  const auto list = [&](const char* name, const char* help) {
    verb.options.add_options()(name, po::value<std::string>()->value_name("A[,B,C]"), help);
  };
  list("cord-mm", "cord lengths: motor lowest, middle, highest");
  list("centre-mm", "centre distance, or two ends, or both ends and the middle");
  verb.options.add_options()("big-mm", po::value<double>()->value_name("D"),
                             "effective diameter of the big pulley")(
      "small-mm", po::value<double>()->value_name("D"), "effective diameter of the small pulley")(
      "motor-pulley", po::value<std::string>()->value_name("P"), "diameters from the book instead")(
      "hand-pulley", po::value<std::string>()->value_name("H"), "diameters from the book instead")(
      "belt", po::value<std::string>()->value_name("B"), "does this belt of the book fit?");
  add_part_options(verb.options, PartKind::kBelt);
  add_common_options(verb.options);
  verb.run = run_length;
  return verb;
}

}  // namespace loadline
