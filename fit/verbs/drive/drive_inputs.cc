#include "fit/verbs/drive/drive_inputs.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "db/basis/units.h"
#include "fit/belts/grooves/fit_check.h"
#include "fit/choose/drawer/stored_parts.h"
#include "fit/verbs/drive/drive_belt.h"
#include "fit/verbs/drive/pedal_marks.h"

namespace loadline {
namespace {

double positive(const Arguments& arguments, const char* option, double otherwise) {
  const double value = arguments.number(option).value_or(otherwise);
  if (!(value > 0)) throw Error(Fault::kInput, fmt::format("--{} must be more than 0.", option));
  return value;
}

double not_negative(const Arguments& arguments, const char* option, double otherwise) {
  const double value = arguments.number(option).value_or(otherwise);
  if (value < 0) throw Error(Fault::kInput, fmt::format("--{} must not be negative.", option));
  return value;
}

std::optional<double> optional_positive(const Arguments& arguments, const char* option,
                                        double factor) {
  if (!arguments.has(option)) return std::nullopt;
  return factor * positive(arguments, option, 1);
}

void require_motor_and_machine(const Arguments& arguments) {
  for (const char* option : {"motor", "machine"})
    if (!arguments.has(option))
      throw Error(Fault::kInput,
                  fmt::format("drive needs --{} NAME; 'loadline-db list {}s' shows the names, and "
                              "--all tries every pair.",
                              option, option));
}

void refuse_two(const Arguments& arguments, const char* one, const char* other) {
  if (arguments.has(one) && arguments.has(other))
    throw Error(
        Fault::kInput,
        fmt::format("--{} and --{} exclude each other; give one or the other.", one, other));
}

// Options that would be taken in silence without doing anything.
void refuse_idle_options(const Arguments& arguments) {
  refuse_two(arguments, "slow-rpm", "slow-spm");
  refuse_two(arguments, "what-if-ratio", "what-if-pulley");
  if (arguments.flag("all"))
    for (const char* option : {"ratios", "csv", "svg", "what-if-ratio", "what-if-pulley",
                               "motor-pulley", "hand-pulley", "explain-top-speed"})
      if (arguments.has(option))
        throw Error(Fault::kInput,
                    fmt::format("--{} is about one drive; leave it or --all out.", option));
  if (arguments.has("ratio"))
    for (const char* option : {"smallest-pulley-mm", "centre-mm"})
      if (arguments.has(option))
        throw Error(Fault::kInput,
                    fmt::format("--{} needs the pulleys: give --motor-pulley and --hand-pulley "
                                "instead of --ratio.",
                                option));
}

void refuse_double_ratio(const Arguments& arguments) {
  const bool one = arguments.has("motor-pulley"), other = arguments.has("hand-pulley");
  if (arguments.has("ratio") && (one || other))
    throw Error(Fault::kInput, "--ratio and pulleys exclude each other; give one or the other.");
  if (!arguments.has("ratio") && !(one && other))
    throw Error(Fault::kInput,
                "drive needs a ratio: --ratio I, or both --motor-pulley P and --hand-pulley H.");
}

// Role in the book against role on the command line.
void warn_of_role(const Part& pulley, const char* used_as, std::vector<std::string>& warnings) {
  const auto role = pulley.text("role");
  const auto words = [](const std::string& r) { return r == "hand" ? "hand-wheel" : "motor"; };
  if (role && *role != used_as)
    warnings.push_back(fmt::format("pulley {} is recorded as a {} pulley but used as the {} one.",
                                   pulley.name, words(*role), words(used_as)));
}

void put_pulleys(const Book& book, const Arguments& arguments, const std::optional<Part>& belt,
                 const Part& motor, const Part& machine, DriveCase& drive) {
  const auto sd = diameter_sd(arguments);
  drive.motor_pulley = arguments.text("motor-pulley");
  drive.hand_pulley = arguments.text("hand-pulley");
  const Part small = book.get(PartKind::kPulley, *drive.motor_pulley);
  const Part large = book.get(PartKind::kPulley, *drive.hand_pulley);
  warn_of_role(small, "motor", drive.warnings);
  warn_of_role(large, "hand", drive.warnings);
  const Diameters found = effective_diameters(small, large, belt, sd, drive.warnings);
  append_new(drive.warnings, fit_warnings(motor, machine, small, large, belt));
  drive.question.motor_diameter = found.motor;
  drive.question.hand_diameter = found.hand;
  const auto name = arguments.text("what-if-pulley");
  if (!name) return;
  const Part other = book.get(PartKind::kPulley, *name);
  warn_of_role(other, "motor", drive.warnings);
  drive.question.what_if_diameter =
      effective_diameters(other, large, belt, sd, drive.warnings).motor;
  append_new(drive.warnings, fit_warnings(motor, machine, other, large, belt));
}

void put_options(const Arguments& arguments, const Part& motor, const Part& machine,
                 DriveQuestion& question) {
  question.slip = {not_negative(arguments, "slip-percent", 0) / 100,
                   not_negative(arguments, "slip-sd-percent", 0) / 100};
  question.belt_loss = {not_negative(arguments, "belt-loss-nm", 0),
                        not_negative(arguments, "belt-loss-sd-nm", 0)};
  question.extra_nm = not_negative(arguments, "extra-nm", 0);
  question.seam_nm = positive(arguments, "seam-nm", DriveQuestion::kDefaultSeam);
  const double rpm = rad_per_s_from_rpm(1);
  const auto limit = [&](const Part& part) -> std::optional<double> {
    const auto recorded = part.number("max-rpm");
    if (!recorded) return std::nullopt;
    return rad_per_s_from_rpm(*recorded);
  };
  question.max_motor_speed = limit(motor);
  if (arguments.has("max-rpm"))
    question.max_motor_speed = optional_positive(arguments, "max-rpm", rpm);
  question.max_handwheel_speed = limit(machine);
  question.rated_power = motor.number("rated-w");
  if (const auto stroke = machine.number("stroke-mm")) question.stroke_m = m_from_mm(*stroke);
  if (arguments.has("stroke-mm"))
    question.stroke_m = optional_positive(arguments, "stroke-mm", 1e-3);
  question.stitches_per_turn = machine.number("stitches-per-turn").value_or(1);
  question.wanted_speed = optional_positive(arguments, "wanted-rpm", rpm);
  question.slow_speed = optional_positive(arguments, "slow-rpm", rpm);
  if (arguments.has("slow-spm"))
    question.slow_speed =
        optional_positive(arguments, "slow-spm", rpm / question.stitches_per_turn);
  if (arguments.has("what-if-ratio"))
    question.what_if_ratio = Uncertain{positive(arguments, "what-if-ratio", 1), 0};
  if (arguments.has("explain-top-speed"))
    question.seen_top_speed = Uncertain{positive(arguments, "explain-top-speed", 1) * rpm,
                                        not_negative(arguments, "explain-sd-rpm", 0) * rpm};
  question.rotor_inertia = motor.number("inertia-kgm2").value_or(0);
  const std::string pedal = arguments.text("pedal").value_or("");
  if (pedal == "resistor") question.only_pedal = Pedal::kResistance;
  if (pedal == "transformer") question.only_pedal = Pedal::kVoltage;
  if (pedal == "electronic") question.only_pedal = Pedal::kMarks;
  if (!pedal.empty() && !question.only_pedal)
    throw Error(Fault::kInput,
                "--pedal is resistor, transformer or electronic (phase angle, half wave).");
  if (!pedal.empty() && !question.slow_speed)
    throw Error(Fault::kInput, "--pedal is about slow stitching: give --slow-spm or --slow-rpm.");
  question.supply.volts = optional_positive(arguments, "supply-v", 1);
  if (arguments.has("supply-hz")) question.supply.hertz = not_negative(arguments, "supply-hz", 0);
  if (const auto rated = motor.number("rated-hz"); rated && *rated > 0)
    question.supply.rated_hertz = rated;
}

DriveCase case_of(const Arguments& arguments, const Part& motor, const Part& machine,
                  std::shared_ptr<const Curve> motor_curve,
                  std::shared_ptr<const Curve> machine_curve) {
  DriveCase drive;
  drive.motor_curve = std::move(motor_curve);
  drive.machine_curve = std::move(machine_curve);
  drive.question.motor_name = motor.name;
  drive.question.machine_name = machine.name;
  drive.question.motor = drive.motor_curve.get();
  drive.question.machine = drive.machine_curve.get();
  drive.belt = arguments.text("belt");
  if (arguments.has("ratio"))
    drive.question.ratio = {positive(arguments, "ratio", 1),
                            not_negative(arguments, "ratio-sd", 0)};
  put_options(arguments, motor, machine, drive.question);
  return drive;
}

void check_exclusive_belt_options(const Arguments& arguments) {
  if (arguments.has("belt") && (arguments.has("slip-percent") || arguments.has("belt-loss-nm")))
    throw Error(Fault::kInput,
                "--belt takes slip and loss from the belt's runs; leave --slip-percent and "
                "--belt-loss-nm out, or leave --belt out.");
}

std::optional<Part> named_belt(const Book& book, const Arguments& arguments) {
  const auto name = arguments.text("belt");
  if (!name) return std::nullopt;
  return book.get(PartKind::kBelt, *name);
}

struct Curved {
  Part part;
  std::shared_ptr<const Curve> curve;
};

// The parts of a kind that have curves: those that are named, else all.
std::vector<Curved> curved_parts(const Book& book, PartKind kind,
                                 const std::vector<std::string>& names,
                                 std::vector<std::string>& skipped) {
  std::vector<Curved> found;
  std::vector<Part> parts;
  for (const std::string& name : names) parts.push_back(book.get(kind, name));
  if (names.empty()) parts = book.parts(kind);
  // A motor with its pedal held is none of the drawer's.
  if (names.empty() && kind == PartKind::kMotor)
    std::erase_if(parts, [](const Part& part) { return part.text("pedal-of").has_value(); });
  for (const Part& part : parts) try {
      found.push_back({part, curve_for(book, part)});
    } catch (const Error& error) {
      if (error.fault() != Fault::kInput || !names.empty()) throw;
      skipped.push_back(error.what());
    }
  return found;
}

struct PulleyPair {
  Part motor, hand;
  Diameters diameters;
  std::vector<std::string> warnings;
};

bool may_be(const Part& pulley, const char* role) {
  return pulley.text("role").value_or(role) == role;
}

bool has_size(const Part& pulley) { return pulley.number("pitch-mm") || pulley.number("rim-mm"); }

std::vector<PulleyPair> pulley_pairs(const Book& book, const std::optional<Part>& belt,
                                     const std::optional<double>& sd,
                                     std::vector<std::string>& skipped) {
  std::vector<PulleyPair> pairs;
  const std::vector<Part> pulleys = book.parts(PartKind::kPulley);
  for (const Part& pulley : pulleys)
    if (!has_size(pulley))
      skipped.push_back(
          fmt::format("pulley '{}' has no diameter; run: loadline-db set pulley '{}' "
                      "--pitch-mm D (effective) or --rim-mm D",
                      pulley.name, pulley.name));
  for (const Part& motor : pulleys)
    for (const Part& hand : pulleys) {
      if (!has_size(motor) || !has_size(hand)) continue;
      if (!may_be(motor, "motor") || !may_be(hand, "hand")) continue;
      PulleyPair pair{motor, hand, {}, {}};
      pair.diameters = effective_diameters(motor, hand, belt, sd, pair.warnings);
      if (pair.diameters.ratio() > 1) pairs.push_back(std::move(pair));
    }
  return pairs;
}

}  // namespace

std::optional<double> diameter_sd(const Arguments& arguments) {
  if (!arguments.has("diameter-sd-mm")) return std::nullopt;
  return m_from_mm(not_negative(arguments, "diameter-sd-mm", 0));
}

namespace {

DriveCase read_case(const Book& book, const Arguments& arguments, const Part& motor) {
  const Part machine = book.get(PartKind::kMachine, *arguments.text("machine"));
  DriveCase drive =
      case_of(arguments, motor, machine, curve_for(book, motor), curve_for(book, machine));
  drive.question.machine_inertia = inertia_of(book, machine);
  const std::optional<Part> belt = named_belt(book, arguments);
  if (!arguments.has("ratio"))
    put_pulleys(book, arguments, belt, motor, machine, drive);
  else if (arguments.has("what-if-pulley"))
    throw Error(Fault::kInput,
                "--what-if-pulley needs --motor-pulley and --hand-pulley; with --ratio use "
                "--what-if-ratio.");
  if (belt) BeltReader(book, *belt).put_belt(motor, machine, diameter_sd(arguments), drive);
  put_marks(book, arguments, motor, machine, drive);
  return drive;
}

}  // namespace

std::vector<DriveCase> read_cases(const Book& book, const Arguments& arguments) {
  require_motor_and_machine(arguments);
  refuse_double_ratio(arguments);
  refuse_idle_options(arguments);
  check_exclusive_belt_options(arguments);
  std::vector<DriveCase> cases;
  for (const std::string& name : arguments.texts("motor"))
    cases.push_back(read_case(book, arguments, book.get(PartKind::kMotor, name)));
  return cases;
}

std::vector<DriveCase> read_all_cases(const Book& book, const Arguments& arguments,
                                      std::vector<std::string>& skipped) {
  refuse_idle_options(arguments);
  check_exclusive_belt_options(arguments);
  const std::optional<Part> belt = named_belt(book, arguments);
  const auto sd = diameter_sd(arguments);
  const auto motors = curved_parts(book, PartKind::kMotor, arguments.texts("motor"), skipped);
  std::vector<std::string> one_machine;
  if (const auto name = arguments.text("machine")) one_machine.push_back(*name);
  const auto machines = curved_parts(book, PartKind::kMachine, one_machine, skipped);
  std::vector<PulleyPair> pairs;
  if (!arguments.has("ratio")) pairs = pulley_pairs(book, belt, sd, skipped);
  if (motors.empty() || machines.empty())
    throw Error(
        Fault::kInput,
        "the book holds no motor or no machine with a curve; run loadline-fit motor NAME and "
        "loadline-fit drag NAME first.");
  if (!arguments.has("ratio") && pairs.empty())
    throw Error(
        Fault::kInput,
        "the book holds no pair of pulleys with diameters; give --ratio I, or add them with "
        "loadline-db add pulley NAME --pitch-mm D --role motor|hand.");
  std::optional<BeltReader> reader;
  if (belt) reader.emplace(book, *belt);
  std::vector<DriveCase> cases;
  for (const Curved& motor : motors)
    for (const Curved& machine : machines) {
      const DriveCase plain =
          case_of(arguments, motor.part, machine.part, motor.curve, machine.curve);
      if (arguments.has("ratio")) {
        DriveCase& drive = cases.emplace_back(plain);
        if (reader) reader->put_belt(motor.part, machine.part, sd, drive);
      }
      for (const PulleyPair& pair : pairs) {
        DriveCase& drive = cases.emplace_back(plain);
        drive.motor_pulley = pair.motor.name;
        drive.hand_pulley = pair.hand.name;
        drive.question.motor_diameter = pair.diameters.motor;
        drive.question.hand_diameter = pair.diameters.hand;
        drive.warnings = pair.warnings;
        append_new(drive.warnings,
                   fit_warnings(motor.part, machine.part, pair.motor, pair.hand, belt));
        if (reader) reader->put_belt(motor.part, machine.part, sd, drive);
      }
    }
  return cases;
}

}  // namespace loadline
