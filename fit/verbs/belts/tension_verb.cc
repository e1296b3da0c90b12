// loadline-fit tension: how tight must a belt be, what does that cost the bearings, what to tap
// for.
#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <cmath>
#include <iostream>

#include "db/basis/units.h"
#include "db/book.h"
#include "fit/belts/grooves/fit_check.h"
#include "fit/belts/grooves/length.h"
#include "fit/belts/grooves/tension.h"
#include "fit/curves/curve.h"
#include "fit/verbs/belts/belt_verbs.h"

namespace loadline {
namespace {

namespace po = boost::program_options;

// Rubber and leather on turned metal, dry: common practice; the middle is used, the ends give the
// limits.
constexpr double kFrictionLow = 0.3, kFriction = 0.4, kFrictionHigh = 0.5;
constexpr double kUsualGrooveDeg = 38;

struct Drive {
  double torque_nm = 0, torque_sd = 0;
  double radius_m = 0, wrap_rad = kPi, groove_rad = rad_from_deg(kUsualGrooveDeg);
  double friction = kFriction, friction_low = kFrictionLow, friction_high = kFrictionHigh;
  std::optional<double> span_m, mass_kg_per_m;
  std::vector<std::string> warnings;
};

void set_torque(const Arguments& arguments, Drive& drive) {
  if (arguments.has("torque-nm") && arguments.has("motor"))
    throw Error(Fault::kInput, "--motor and --torque-nm exclude each other; give one.");
  if (const auto torque = arguments.number("torque-nm")) {
    drive.torque_nm = *torque;
  } else if (const auto name = arguments.text("motor")) {
    const Book book = Book::open(arguments.book_path(), Book::Mode::kRead);
    const auto stored = book.latest_curve(false, book.get(PartKind::kMotor, *name).id);
    if (!stored)
      throw Error(Fault::kInput, fmt::format("motor {} has no curve in the book yet; run "
                                             "'loadline-fit motor \"{}\"' first, or give "
                                             "--torque-nm.",
                                             *name, *name));
    const Curve curve = Curve::from_stored(*stored);
    drive.torque_nm = curve.torque(0);
    drive.torque_sd = curve.torque_sd(0) * curve.coverage_factor() / 1.96;
    if (curve.speed_low > 0.2 * curve.speed_high)
      drive.warnings.push_back(
          fmt::format("the standstill torque of {} is extrapolated: its curve was measured from {} "
                      "rpm on",
                      *name, significant(rpm_from_rad_per_s(curve.speed_low), 3)));
  } else {
    throw Error(Fault::kInput,
                "give the torque to carry: --motor M (its standstill torque) or "
                "--torque-nm.");
  }
  if (!(drive.torque_nm > 0)) throw Error(Fault::kInput, "the torque must be above 0 N·m.");
}

void set_geometry(const Arguments& arguments, const Part& belt, Drive& drive) {
  double small = arguments.number("small-mm").value_or(0);
  double big = arguments.number("big-mm").value_or(0);
  const auto motor = arguments.text("motor-pulley"), hand = arguments.text("hand-pulley");
  if (motor && hand) {
    const Book book = Book::open(arguments.book_path(), Book::Mode::kRead);
    const Part pulley = book.get(PartKind::kPulley, *motor);
    const TrueRatio ratio = true_ratio(pulley, book.get(PartKind::kPulley, *hand), belt);
    if (!ratio.ratio.value) throw Error(Fault::kInput, ratio.reason + ".");
    small = *ratio.motor_diameter.value;
    big = *ratio.hand_diameter.value;
    drive.warnings = ratio.warnings;
    if (const auto angle = pulley.number("groove-angle-deg"))
      drive.groove_rad = rad_from_deg(*angle);
  }
  if (!(small > 0))
    throw Error(Fault::kInput,
                "give the effective diameter of the motor's pulley: --small-mm, or --motor-pulley "
                "and --hand-pulley.");
  drive.radius_m = m_from_mm(small) / 2;
  if (const auto centre = arguments.number("centre-mm"); centre && big > 0) {
    const DriveLength geometry = open_length({*centre, big, small});
    drive.wrap_rad = small <= big ? geometry.small_wrap_rad : geometry.big_wrap_rad;
    drive.span_m = m_from_mm(geometry.span_mm);
  } else if (!arguments.has("wrap-deg")) {
    drive.warnings.emplace_back(
        "the wrap is taken as 180°: give --centre-mm, --big-mm and --small-mm, or --wrap-deg");
  }
  if (const auto wrap = arguments.number("wrap-deg")) {
    if (!(*wrap > 0 && *wrap < 360))
      throw Error(Fault::kInput, "--wrap-deg must be between 0 and 360.");
    drive.wrap_rad = rad_from_deg(*wrap);
  }
  if (const auto span = arguments.number("span-mm")) drive.span_m = m_from_mm(*span);
  if (const auto angle = arguments.number("groove-angle-deg"))
    drive.groove_rad = rad_from_deg(*angle);
}

void set_belt(const Part& belt, Drive& drive) {
  if (const auto friction = belt.number("friction")) {
    drive.friction = drive.friction_low = drive.friction_high = *friction;
  } else {
    drive.warnings.emplace_back(
        "the friction is taken as 0.3 to 0.5 (common practice for rubber on metal); the limits are "
        "for that range; a measured one goes in with --friction");
  }
  if (const auto mass = belt.number("mass-g-per-m")) drive.mass_kg_per_m = *mass * 1e-3;
}

// A figure of the tension over the range of friction, and of torque (to which all are in
// proportion).
template <typename Figure>
Estimate over_friction(const Drive& drive, Wedge wedge, const char* unit, Figure figure) {
  const auto at = [&](double friction, double torque) {
    const double ratio =
        strand_ratio(effective_friction(wedge, friction, drive.groove_rad), drive.wrap_rad);
    return figure(ratio, tension_for_torque(torque, drive.radius_m, ratio, drive.wrap_rad));
  };
  Estimate e = Estimate::exact(at(drive.friction, drive.torque_nm), unit);
  const double spread = 1.96 * drive.torque_sd;
  const bool certain = drive.friction_low == drive.friction_high && spread == 0;
  if (certain) return e;
  e.low = at(drive.friction_high, std::max(1e-9, drive.torque_nm - spread));
  e.high = at(drive.friction_low, drive.torque_nm + spread);
  if (*e.low > *e.high) std::swap(e.low, e.high);
  return e;
}

Json wedge_json(const Drive& drive, const char* name, Wedge wedge) {
  const auto figure = [&](const char* unit, auto f) {
    return over_friction(drive, wedge, unit, f);
  };
  Json out{{"belt", name}};
  out["strand_ratio"] = to_json(figure("", [](double ratio, const Tension&) { return ratio; }));
  const auto tension = [&](double Tension::*member) {
    return to_json(figure("N", [member](double, const Tension& t) { return t.*member; }));
  };
  out["tension"] = tension(&Tension::rest_n);
  out["tight"] = tension(&Tension::tight_n);
  out["slack"] = tension(&Tension::slack_n);
  out["bearing_load"] = tension(&Tension::bearing_load_n);
  out["bearing_load_at_rest"] = tension(&Tension::bearing_rest_n);
  if (drive.span_m && drive.mass_kg_per_m)
    out["span_frequency"] = to_json(figure("Hz", [&](double, const Tension& t) {
      return span_frequency(t.rest_n, *drive.mass_kg_per_m, *drive.span_m);
    }));
  return out;
}

Wedge wedge_of(const Part& belt) {
  return belt.text("section").value_or("v") == "flat" ? Wedge::kFlat : Wedge::kV;
}

// What a tension that is there can carry: from --tension-n, or from the tapped frequency.
std::optional<double> tension_there(const Arguments& arguments, const Drive& drive) {
  const auto tension = arguments.number("tension-n"), frequency = arguments.number("frequency-hz");
  if (tension && frequency)
    throw Error(Fault::kInput, "--tension-n and --frequency-hz exclude each other; give one.");
  for (const auto& [option, value] :
       {std::pair{"tension-n", tension}, std::pair{"frequency-hz", frequency}})
    if (value && !(*value > 0))
      throw Error(Fault::kInput, fmt::format("--{} must be more than 0.", option));
  if (tension) return *tension;
  if (!frequency) return std::nullopt;
  if (!drive.span_m || !drive.mass_kg_per_m)
    throw Error(Fault::kInput,
                "--frequency-hz needs the belt's mass and free span: give --mass-g-per-m, and "
                "--span-mm or the centre distance with both diameters.");
  return tension_from_frequency(*frequency, *drive.mass_kg_per_m, *drive.span_m);
}

Estimate estimate_in(const Json& json) {
  Estimate e = Estimate::exact(json["value"].get<double>(), json["unit"].get<std::string>());
  if (!json["low"].is_null()) e.low = json["low"].get<double>();
  if (!json["high"].is_null()) e.high = json["high"].get<double>();
  return e;
}

// The names in JSON are fixed; people read these.
std::string belt_words(const std::string& name) {
  if (name == "v") return "V-belt";
  return name == "flat" ? "flat belt" : name;
}

std::string text_of(const Drive& drive, const Json& out) {
  std::string text = fmt::format("To carry {} N·m at a radius of {:.2f} mm over {:.0f}° of wrap:\n",
                                 significant(drive.torque_nm, 4), mm_from_m(drive.radius_m),
                                 deg_from_rad(drive.wrap_rad));
  for (const Json& row : out["belts"]) {
    text += fmt::format(
        "  {:<24} each strand {}, bearing {} at rest", belt_words(row["belt"].get<std::string>()),
        to_text(estimate_in(row["tension"])), to_text(estimate_in(row["bearing_load_at_rest"])));
    if (row.contains("span_frequency"))
      text += ", tap for " + to_text(estimate_in(row["span_frequency"]));
    text += "\n";
  }
  if (out.contains("slip_torque"))
    text +=
        fmt::format("A tension of {} carries {}: {}\n", to_text(estimate_in(out["tension_there"])),
                    to_text(estimate_in(out["slip_torque"])),
                    out["carries"].get<bool>() ? "enough" : "not enough, the belt slips");
  return text;
}

int run_tension(const Arguments& arguments) {
  const Part belt = part_from(arguments, PartKind::kBelt, "belt");
  Drive drive;
  set_torque(arguments, drive);
  set_geometry(arguments, belt, drive);
  set_belt(belt, drive);
  Json out{{"torque",
            to_json(drive.torque_sd > 0
                        ? Estimate::with_half_width(drive.torque_nm, 1.96 * drive.torque_sd, "N·m")
                        : Estimate::exact(drive.torque_nm, "N·m"))},
           {"wrap_deg", deg_from_rad(drive.wrap_rad)},
           {"belts", Json::array()}};
  out["belts"].push_back(wedge_json(drive, "v", Wedge::kV));
  out["belts"].push_back(wedge_json(drive, "round in a round groove", Wedge::kRoundGroove));
  out["belts"].push_back(wedge_json(drive, "flat", Wedge::kFlat));
  bool carries = true;
  if (const auto there = tension_there(arguments, drive)) {
    const auto at = [&](double friction) {
      return slip_torque(
          *there, drive.radius_m,
          strand_ratio(effective_friction(wedge_of(belt), friction, drive.groove_rad),
                       drive.wrap_rad));
    };
    Estimate slip = Estimate::exact(at(drive.friction), "N·m");
    if (drive.friction_low < drive.friction_high)
      slip.low = at(drive.friction_low), slip.high = at(drive.friction_high);
    carries = slip.low.value_or(*slip.value) >= drive.torque_nm;
    out["tension_there"] = to_json(Estimate::exact(*there, "N"));
    out["slip_torque"] = to_json(slip);
    out["carries"] = carries;
  }
  out["warnings"] = drive.warnings;
  if (arguments.json())
    print_json(out);
  else
    std::cout << text_of(drive, out);
  for (const std::string& warning : drive.warnings) warn(warning);
  return carries ? 0 : static_cast<int>(Fault::kAnswerNo);
}

}  // namespace

Verb tension_verb() {
  Verb verb;
  verb.name = "tension";
  verb.words = "(--motor M | --torque-nm T) --small-mm D [--big-mm D --centre-mm C]";
  verb.summary = "tell how tight a belt must be, what the bearings bear, and what to tap for";
  verb.description =
      "The least tension with which the belt carries the motor's standstill torque without slip\n"
      "(Euler and Eytelwein, with the wedge of the groove), for a V-belt, a round one in a round\n"
      "groove, and a flat one; a round belt in a V groove wedges like a V-belt. With --tension-n "
      "or\n"
      "--frequency-hz also what the belt as it is can carry.\n"
      "Exit status 1: that tension does not carry the torque at the lowest friction assumed.";
  verb.example =
      "loadline-fit tension --torque-nm 0.2 --small-mm 18 --big-mm 90 --centre-mm 210 "
      "--mass-g-per-m 25";
  verb.most_names = 0;
  const auto number = [&](const char* name, const char* unit, const char* help) {
    verb.options.add_options()(name, po::value<double>()->value_name(unit), help);
  };
  const auto word = [&](const char* name, const char* help) {
    verb.options.add_options()(name, po::value<std::string>()->value_name("NAME"), help);
  };
  word("motor", "carry this motor's standstill torque (its latest curve)");
  number("torque-nm", "T", "or carry this torque");
  number("small-mm", "D", "effective diameter of the motor's pulley");
  number("big-mm", "D", "effective diameter of the hand wheel's pulley");
  number("centre-mm", "C", "centre distance: gives wrap and free span");
  number("wrap-deg", "A", "wrap on the motor's pulley instead");
  number("span-mm", "L", "free span instead");
  number("groove-angle-deg", "A", "angle of the groove (38)");
  word("motor-pulley", "diameters and groove from the book instead");
  word("hand-pulley", "diameters from the book instead");
  word("belt", "friction and mass of this belt of the book");
  number("tension-n", "T", "tension of each strand at rest: does it carry the torque?");
  number("frequency-hz", "F", "the same, from the note of the tapped span");
  add_part_options(verb.options, PartKind::kBelt);
  add_common_options(verb.options);
  verb.run = run_tension;
  return verb;
}

}  // namespace loadline
