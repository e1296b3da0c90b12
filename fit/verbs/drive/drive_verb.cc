#include "fit/verbs/drive/drive_verb.h"

#include <fmt/format.h>
#include <unistd.h>
#include <nlohmann/json.hpp>

#include <algorithm>
#include <charconv>

#include "db/basis/new_file.h"
#include "db/basis/terminal.h"
#include "db/basis/text_table.h"
#include "db/basis/units.h"
#include "db/book.h"
#include "fit/drive/points/two_stage.h"
#include "fit/report/plots/curve_plots.h"
#include "fit/report/plots/terminal_picture.h"
#include "fit/verbs/drive/drive_outputs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

struct RatioSweep {
  double low, high;
  std::size_t count;
};

// "4:12:33".
RatioSweep sweep_from(const std::string& words) {
  RatioSweep sweep{};
  const char* const end = words.data() + words.size();
  const auto low = std::from_chars(words.data(), end, sweep.low);
  const bool colon = low.ec == std::errc() && low.ptr != end && *low.ptr == ':';
  const auto high = colon ? std::from_chars(low.ptr + 1, end, sweep.high) : low;
  const bool second = colon && high.ec == std::errc() && high.ptr != end && *high.ptr == ':';
  const auto count = second ? std::from_chars(high.ptr + 1, end, sweep.count) : high;
  if (!second || count.ec != std::errc() || count.ptr != end)
    throw Error(
        Fault::kInput,
        fmt::format("--ratios takes LOW:HIGH:NUMBER, for example 4:12:33; '{}' is not that.",
                    words));
  return sweep;
}

DriveAnswer answered(const DriveDesk& desk, const Arguments& arguments) {
  const auto draws = arguments.whole("draws");
  if (!draws) return answer(desk);
  constexpr long long kMostDraws = 10'000'000;
  if (*draws < 0 || *draws > kMostDraws)
    throw Error(Fault::kInput, "--draws takes a number from 100 to 10,000,000.");
  return answer_by_draws(desk, static_cast<std::size_t>(*draws),
                         static_cast<std::uint64_t>(arguments.whole("seed").value_or(1)));
}

// ---- reduction ---------------------------------------------------------------------------------

struct ReductionAsked {
  double ratio;
  std::optional<Reduction> plan;
};

std::optional<double> smallest_pulley(const Book& book, const Arguments& arguments) {
  if (const auto given = arguments.number("smallest-pulley-mm")) {
    if (!(*given > 0)) throw Error(Fault::kInput, "--smallest-pulley-mm must be more than 0.");
    return m_from_mm(*given);
  }
  const auto name = arguments.text("belt");
  if (!name) return std::nullopt;
  const Part belt = book.get(PartKind::kBelt, *name);
  const std::string section = belt.text("section").value_or("v");
  const auto height = belt.number(section == "round" ? "round-mm" : "height-mm");
  if (!height) return std::nullopt;
  return smallest_sensible_pulley(section, m_from_mm(*height));
}

// Which pulleys make the best ratio (within the motor's limit when it is known).
std::optional<ReductionAsked> reduction_for(const Book& book, const Arguments& arguments,
                                            const DriveDesk& desk, const DriveAnswer& answer) {
  const auto smallest = smallest_pulley(book, arguments);
  if (!smallest || !desk.question().hand_diameter) return std::nullopt;
  const AnswerLine* best = answer.find(Figure::kLimitedBestRatio);
  if (!best) best = answer.find(Figure::kBestRatio);
  if (!best) return std::nullopt;
  ReductionLimits limits{desk.question().hand_diameter->value, *smallest, {}};
  if (const auto centre = arguments.number("centre-mm"))
    limits.centre_distance = m_from_mm(*centre);
  return ReductionAsked{*best->estimate.value, plan_reduction(*best->estimate.value, limits)};
}

Json to_json(const ReductionAsked& asked) {
  Json json{{"ratio", asked.ratio}, {"possible", asked.plan.has_value()}};
  if (!asked.plan) return json;
  json["pairs"] = asked.plan->one_pair ? 1 : 2;
  json["motor_pulley_mm"] = mm_from_m(asked.plan->motor_pulley);
  if (asked.plan->one_pair) return json;
  json["intermediate_large_mm"] = mm_from_m(asked.plan->intermediate_large);
  json["intermediate_small_mm"] = mm_from_m(asked.plan->intermediate_small);
  json["reason"] = asked.plan->reason;
  return json;
}

std::string to_text(const ReductionAsked& asked) {
  if (!asked.plan)
    return fmt::format("Two pairs of pulleys do not reach the best ratio of {:.3g} either.",
                       asked.ratio);
  const Reduction& plan = *asked.plan;
  if (plan.one_pair)
    return fmt::format(
        "The best ratio of {:.3g} on this hand wheel takes a motor pulley of {:.1f} "
        "mm effective.",
        asked.ratio, mm_from_m(plan.motor_pulley));
  return fmt::format(
      "The best ratio of {:.3g} takes two pairs, because {}: {:.1f} mm on the motor drives {:.1f} "
      "mm, and {:.1f} mm beside it drives the hand wheel (effective diameters). Each belt has its "
      "own loss.",
      asked.ratio, plan.reason, mm_from_m(plan.motor_pulley), mm_from_m(plan.intermediate_large),
      mm_from_m(plan.intermediate_small));
}

// ---- running -----------------------------------------------------------------------------------

void warn_all(const std::vector<std::string>& warnings) {
  for (const std::string& warning : warnings) warn(warning);
}

// Top speeds without a belt's losses are those of no real machine; say it where they are read.
std::string belt_left_out(const Arguments& arguments) {
  if (arguments.has("belt") || arguments.has("slip-percent") || arguments.has("belt-loss-nm"))
    return "";
  return "No belt slip and no belt loss is in these speeds, nor in the force what a belt carries: "
         "name a belt with --belt (measured), or give --slip-percent and --belt-loss-nm.";
}

// What the belt's own runs could not tell, each sentence once.
std::vector<std::string> belt_warnings(const Arguments& arguments,
                                       const std::vector<RankedDrive>& drives) {
  std::vector<std::string> found;
  if (!arguments.has("belt")) return found;
  for (const RankedDrive& one : drives)
    for (const std::string& warning : one.drive.warnings)
      if (warning.find("belt") != std::string::npos &&
          std::find(found.begin(), found.end(), warning) == found.end())
        found.push_back(warning);
  return found;
}

int run_all(const Book& book, const Arguments& arguments) {
  std::vector<std::string> skipped;
  std::vector<RankedDrive> drives;
  for (DriveCase& drive : read_all_cases(book, arguments, skipped)) {
    const DriveDesk desk(drive.question);
    DriveAnswer found = answered(desk, arguments);
    found.warnings.insert(found.warnings.begin(), drive.warnings.begin(), drive.warnings.end());
    drives.push_back({std::move(drive), std::move(found)});
  }
  rank(drives);
  if (arguments.json()) {
    Json json;
    json["drives"] = Json::array();
    for (const RankedDrive& drive : drives) json["drives"].push_back(to_json(drive));
    json["skipped"] = skipped;
    json["belt"] = arguments.text("belt") ? Json(*arguments.text("belt")) : Json();
    print_json(json);
  } else {
    say(arguments, ranking_text(drives));
    if (const std::string words = belt_left_out(arguments); !words.empty())
      say(arguments, wrapped(words));
    warn_all(skipped);
    warn_all(belt_warnings(arguments, drives));
  }
  return 0;
}

DriveAnswer answered_case(const DriveCase& drive, const DriveDesk& desk,
                          const Arguments& arguments) {
  DriveAnswer found = answered(desk, arguments);
  found.warnings.insert(found.warnings.begin(), drive.warnings.begin(), drive.warnings.end());
  return found;
}

// The crossing where the terminal can show it, never in a pipe.
void show_picture(const Arguments& arguments, const std::vector<DriveDesk>& desks) {
  if (!shows_blocks()) return;
  const std::string picture = terminal_picture(crossing_plot(desks), terminal_width(STDOUT_FILENO));
  if (!picture.empty()) say(arguments, picture);
}

std::string answer_text(const DriveAnswer& found, const Arguments& arguments) {
  return arguments.flag("details") ? details_text(found) : to_text(found);
}

Json json_of(const DriveCase& drive, const DriveAnswer& found) {
  Json json = to_json(found);
  if (drive.motor_pulley) json["motor_pulley"] = *drive.motor_pulley;
  if (drive.hand_pulley) json["hand_pulley"] = *drive.hand_pulley;
  if (drive.belt) json["belt"] = *drive.belt;
  return json;
}

// Several motors on one machine at one ratio.
int run_several(const std::vector<DriveCase>& cases, const Arguments& arguments) {
  if (cases.size() > kMotorsOfPlot)
    throw Error(Fault::kInput,
                fmt::format("one chart takes at most {} motors; name fewer with --motor, or rank "
                            "all with --all.",
                            kMotorsOfPlot));
  for (const char* option : {"ratios", "csv", "smallest-pulley-mm"})
    if (arguments.has(option))
      throw Error(Fault::kInput, fmt::format("--{} takes one motor; name one --motor.", option));
  std::vector<DriveDesk> desks;
  std::vector<DriveAnswer> answers;
  for (const DriveCase& drive : cases) {
    desks.emplace_back(drive.question);
    answers.push_back(answered_case(drive, desks.back(), arguments));
  }
  if (const auto path = arguments.text("svg"))
    write_file(*path, to_svg(crossing_plot(desks), true));
  if (arguments.json()) {
    Json json{{"drives", Json::array()}};
    for (std::size_t i = 0; i < cases.size(); ++i)
      json["drives"].push_back(json_of(cases[i], answers[i]));
    print_json(json);
  } else {
    for (const DriveAnswer& found : answers) say(arguments, answer_text(found, arguments));
    if (const std::string words = belt_left_out(arguments); !words.empty())
      say(arguments, wrapped(words));
    show_picture(arguments, desks);
  }
  bool runs = false;
  for (const DriveAnswer& found : answers) {
    for (const std::string& warning : found.warnings) warn(found.motor + ": " + warning);
    runs = runs || found.runs();
  }
  return runs ? 0 : static_cast<int>(Fault::kAnswerNo);
}

int run_one(const Book& book, const DriveCase& drive, const Arguments& arguments) {
  const std::vector<DriveDesk> desks{DriveDesk(drive.question)};
  const DriveDesk& desk = desks.front();
  const DriveAnswer found = answered_case(drive, desk, arguments);
  std::vector<TradeOffRow> rows;
  if (const auto words = arguments.text("ratios")) {
    const RatioSweep sweep = sweep_from(*words);
    rows = trade_off(desk, sweep.low, sweep.high, sweep.count);
  }
  if (const auto path = arguments.text("csv")) {
    if (rows.empty()) throw Error(Fault::kInput, "--csv needs --ratios LOW:HIGH:NUMBER.");
    write_file(*path, to_csv(trade_off_table(desk, rows)));
  }
  if (const auto path = arguments.text("svg"))
    write_file(*path, to_svg(crossing_plot(desks), true));
  const auto reduction = reduction_for(book, arguments, desk, found);
  if (arguments.json()) {
    Json json = json_of(drive, found);
    if (reduction) json["reduction"] = to_json(*reduction);
    if (!rows.empty()) json["trade_off"] = trade_off_json(rows);
    print_json(json);
  } else {
    say(arguments, answer_text(found, arguments));
    if (const std::string words = belt_left_out(arguments); !words.empty())
      say(arguments, wrapped(words));
    if (!rows.empty()) say(arguments, trade_off_text(desk, rows));
    if (reduction) say(arguments, wrapped(to_text(*reduction)));
    show_picture(arguments, desks);
  }
  warn_all(found.warnings);
  return found.runs() ? 0 : static_cast<int>(Fault::kAnswerNo);
}

int run_drive(const Arguments& arguments) {
  const Book book = Book::open(arguments.book_path(), Book::Mode::kRead);
  if (arguments.flag("all")) return run_all(book, arguments);
  const std::vector<DriveCase> cases = read_cases(book, arguments);
  return cases.size() == 1 ? run_one(book, cases.front(), arguments)
                           : run_several(cases, arguments);
}

void add_what_is_mounted(po::options_description& options) {
  const auto text = [] { return po::value<std::string>(); };
  const auto number = [] { return po::value<double>(); };
  options.add_options()("motor", po::value<std::vector<std::string>>()->value_name("NAME"),
                        "the motor; its curve must be fitted; several are shown on one chart")(
      "machine", text()->value_name("NAME"), "the machine; its drag must be fitted")(
      "ratio", number()->value_name("I"), "motor speed over hand-wheel speed without slip")(
      "ratio-sd", number()->value_name("U"), "its standard uncertainty (else 0)")(
      "motor-pulley", text()->value_name("NAME"), "instead of --ratio: the pulley on the motor")(
      "hand-pulley", text()->value_name("NAME"),
      "and the one on the machine; of both a measured pitch diameter counts, else where the belt "
      "rides, else the rim")(
      "diameter-sd-mm", number()->value_name("U"),
      "standard uncertainty of effective diameters (else 0.2 % of a pitch diameter, or what the "
      "belt's seat in the groove leaves open)")(
      "belt", text()->value_name("NAME"), "take slip and loss from this belt's top-speed runs")(
      "slip-percent", number()->value_name("S"), "or: speed lost in the belt")(
      "slip-sd-percent", number()->value_name("U"), "its standard uncertainty")(
      "belt-loss-nm", number()->value_name("T"), "torque lost in the belt, at the motor shaft")(
      "belt-loss-sd-nm", number()->value_name("U"), "its standard uncertainty")(
      "supply-v", number()->value_name("V"), "on another supply voltage")(
      "supply-hz", number()->value_name("F"), "on another supply frequency (0: direct current)");
}

void add_what_is_asked(po::options_description& options) {
  const auto text = [] { return po::value<std::string>(); };
  const auto number = [] { return po::value<double>(); };
  options.add_options()(
      "all", po::bool_switch(),
      "every motor on every machine at every pulley pair of the book; slip and loss as --belt or "
      "the options say, else none")("what-if-pulley", text()->value_name("NAME"),
                                    "compare with this motor pulley")(
      "what-if-ratio", number()->value_name("I"), "or with this ratio")(
      "ratios", text()->value_name("LOW:HIGH:NUMBER"), "trade-off over these ratios")(
      "csv", text()->value_name("FILE"), "the trade-off as CSV")("svg", text()->value_name("FILE"),
                                                                 "the crossing as a picture")(
      "extra-nm", number()->value_name("T"), "sewing load at the hand wheel")(
      "wanted-rpm", number()->value_name("N"), "ratios that give this top speed of the hand wheel")(
      "slow-rpm", number()->value_name("N"), "steadiness at this slow speed of the hand wheel")(
      "slow-spm", number()->value_name("N"), "the same in stitches per minute")(
      "seam-nm", number()->value_name("T"), "extra torque of a thick seam there (else 0.05 N·m)")(
      "pedal", text()->value_name("KIND"),
      "what slows it: resistor, transformer or electronic (else all that can be answered)")(
      "stroke-mm", number()->value_name("S"), "stroke of the needle bar (else the machine's)")(
      "max-rpm", number()->value_name("N"), "the motor's limit (else the motor's)")(
      "explain-top-speed", number()->value_name("RPM"),
      "which drag, belt loss or slip would explain this top speed of the hand wheel")(
      "explain-sd-rpm", number()->value_name("U"), "standard uncertainty of that speed")(
      "smallest-pulley-mm", number()->value_name("D"),
      "with pulleys: smallest motor pulley; says whether the best ratio takes two pairs")(
      "centre-mm", number()->value_name("C"),
      "with pulleys: distance of motor and hand wheel, for the wrap")(
      "details", po::bool_switch(), "every figure, not only those that decide")(
      "draws", po::value<long long>()->value_name("N"), "intervals from N Monte Carlo draws")(
      "seed", po::value<long long>()->value_name("S"), "of the draws (else 1)");
}

}  // namespace

Verb drive_verb() {
  Verb verb;
  verb.name = "drive";
  verb.words = "--motor M --machine K (--ratio I | --motor-pulley P --hand-pulley H [--belt B])";
  verb.summary = "answer what a motor makes of a machine at a ratio, and which ratio is best";
  verb.description =
      "The motor's curve and the machine's drag, seen through ratio and belt, cross at the top "
      "speed.\n"
      "Prints it with the motor's speed, the needle's force and what was asked for besides, a "
      "verdict,\n"
      "and with --details every figure, all with 95 % intervals from both curves, the ratio and "
      "the\n"
      "belt. A terminal shows the crossing too, in block characters. Exit status 1 when there is\n"
      "no operating point.\n"
      "\n"
      "A held rotor overheats in seconds: standstill torque is for starting, not for holding.";
  verb.example =
      "loadline-fit drive --motor M1 --machine K1 --ratio 7.5\n"
      "loadline-fit drive --motor M1 --machine K1 --motor-pulley P18 --hand-pulley H90 --belt B2 "
      "--what-if-pulley P15\n"
      "loadline-fit drive --motor M1 --machine K1 --ratio 7.5 --ratios 4:12:33 --csv trade-off.csv "
      "--svg crossing.svg\n"
      "loadline-fit drive --motor M1 --motor M2 --machine K1 --ratio 7.5 --svg both.svg\n"
      "loadline-fit drive --all --machine K1";
  verb.most_names = 0;
  add_what_is_mounted(verb.options);
  add_what_is_asked(verb.options);
  add_common_options(verb.options);
  verb.run = run_drive;
  return verb;
}

}  // namespace loadline
