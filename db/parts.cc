#include "db/parts.h"

#include <array>
#include <cstring>
#include <stdexcept>

namespace loadline {
namespace {

using Type = PartField::Type;

constexpr std::array kKinds = {PartKind::kRig, PartKind::kMotor, PartKind::kMachine,
                               PartKind::kPulley, PartKind::kBelt};

constexpr PartField number(const char* name, double low, double high, const char* help) {
  return {name, Type::kNumber, low, high, nullptr, help};
}

constexpr PartField words(const char* name, const char* choices, const char* help) {
  return {name, Type::kText, 0, 0, choices, help};
}

// Ranges are wide enough for anything of bench size and narrow enough to catch a wrong unit
// (a shaft given in metres, an inertia given in g·cm²).
constexpr PartField kRigFields[] = {
    number("arm-mm", 1, 2000, "length of the load cell's arm, shaft centre to cell"),
    number("arm-sd-mm", 0, 50, "standard uncertainty of the arm length"),
    words("cell", "brake|motor", "where the load cell sits: on the brake or on the motor's cradle"),
    number("inertia-kgm2", 0, 10, "inertia between the motor's winding and the load cell"),
    number("inertia-sd-kgm2", 0, 10, "standard uncertainty of that inertia"),
    number("converter-hz", 0.1, 100000, "load-cell conversions per second"),
    number("cell-delay-s", 0, 10, "by how much the load cell's value is late"),
    number("tick-hz", 1, 1e9, "ticks per second of the rig's clock"),
    number("motor-pulses-per-turn", 1, 10000, "tachometer pulses per turn of the motor"),
    number("handwheel-pulses-per-turn", 1, 10000, "tachometer pulses per turn of the hand wheel"),
    number("supply-v-per-count", 1e-9, 1e4, "supply voltage per converter count"),
    number("temperature-c-per-count", -1e4, 1e4, "degrees Celsius per converter count"),
    number("temperature-c-offset", -1e4, 1e4, "degrees Celsius at converter count zero"),
    number("baud", 50, 20000000, "speed of the serial line, bits per second"),
    words("lines-columns", nullptr,
          "for a rig that prints lines: what each column is, in order, separated by commas"),
    words("lines-separator", "comma|semicolon|tab|space", "what separates the printed columns"),
};

constexpr PartField kMotorFields[] = {
    words("type", "series|permanent-magnet|induction|unknown", "kind of motor"),
    number("shaft-mm", 0.5, 100, "shaft diameter"),
    number("rated-v", 0.1, 1000, "rated voltage"),
    number("rated-hz", 0, 1000, "rated frequency, 0 for direct current"),
    number("rated-w", 0.01, 100000, "rated power, as the plate says (input or output)"),
    number("rated-a", 0.001, 1000, "rated current"),
    number("max-rpm", 1, 200000, "highest permitted speed"),
    number("inertia-kgm2", 1e-9, 10, "inertia of the rotor"),
    number("inertia-sd-kgm2", 0, 10, "standard uncertainty of that inertia"),
    number("winding-ohm", 0.001, 100000, "winding resistance between the leads, cold"),
    words("pedal-of", nullptr,
          "this is that motor together with its foot control, the pedal held at a mark"),
    number("pedal-mark", 0, 10000, "which mark, on any scale that rises with the pedal"),
};

constexpr PartField kMachineFields[] = {
    number("shaft-mm", 0.5, 100, "diameter of the shaft that carries the hand wheel"),
    number("stroke-mm", 0.1, 1000, "stroke of the needle bar, top to bottom"),
    number("inertia-kgm2", 1e-9, 100, "inertia at the hand wheel"),
    number("inertia-sd-kgm2", 0, 100, "standard uncertainty of that inertia"),
    number("max-rpm", 1, 50000, "highest permitted speed of the hand wheel"),
    number("stitches-per-turn", 0.01, 100, "stitches per turn of the hand wheel"),
};

constexpr PartField kPulleyFields[] = {
    words("role", "motor|hand", "on the motor, or on the machine as its hand wheel"),
    number("groove-top-mm", 0.5, 100, "width of the groove at the rim"),
    number("groove-depth-mm", 0.1, 100, "depth of the groove below the rim"),
    number("groove-angle-deg", 0, 120, "angle between the sides of the groove"),
    words("groove-bottom", "flat|round|v", "shape of the groove's bottom"),
    number("rim-mm", 1, 2000, "diameter over the rim"),
    number("bore-mm", 0.5, 200, "diameter of the bore"),
    number("pitch-mm", 1, 2000, "effective diameter, when known from a measurement"),
    number("inertia-kgm2", 1e-10, 100, "inertia of the pulley"),
};

constexpr PartField kBeltFields[] = {
    words("section", "v|round|flat|link", "shape of the section"),
    number("width-mm", 0.5, 100, "width at the top"),
    number("height-mm", 0.2, 100, "height"),
    number("angle-deg", 0, 120, "angle between the sides"),
    number("round-mm", 0.5, 100, "diameter of a round belt"),
    number("length-mm", 10, 20000, "length, outside, without tension"),
    number("squeezed-width-mm", 0.5, 100, "width when squeezed as a groove squeezes it"),
    number("mass-g-per-m", 0.1, 10000, "mass per length"),
    number("friction", 0.01, 3, "coefficient of friction against the pulley"),
};

const PartField& field_named(PartKind kind, const std::string& name) {
  for (const PartField& field : part_fields(kind))
    if (name == field.name) return field;
  throw std::logic_error(std::string(part_kind_name(kind)) + " has no field " + name);
}

}  // namespace

const char* part_kind_name(PartKind kind) {
  switch (kind) {
    case PartKind::kRig:
      return "rig";
    case PartKind::kMotor:
      return "motor";
    case PartKind::kMachine:
      return "machine";
    case PartKind::kPulley:
      return "pulley";
    case PartKind::kBelt:
      return "belt";
  }
  throw std::logic_error("no such part kind");
}

std::optional<PartKind> part_kind_from_name(const std::string& name) {
  for (const PartKind kind : kKinds)
    if (name == part_kind_name(kind)) return kind;
  return std::nullopt;
}

std::span<const PartKind> all_part_kinds() { return kKinds; }

std::span<const PartField> part_fields(PartKind kind) {
  switch (kind) {
    case PartKind::kRig:
      return kRigFields;
    case PartKind::kMotor:
      return kMotorFields;
    case PartKind::kMachine:
      return kMachineFields;
    case PartKind::kPulley:
      return kPulleyFields;
    case PartKind::kBelt:
      return kBeltFields;
  }
  throw std::logic_error("no such part kind");
}

std::optional<double> Part::number(const std::string& field) const {
  if (field_named(kind, field).type != Type::kNumber)
    throw std::logic_error(field + " is no number");
  const auto found = fields.find(field);
  if (found == fields.end()) return std::nullopt;
  return std::get<double>(found->second);
}

std::optional<std::string> Part::text(const std::string& field) const {
  if (field_named(kind, field).type != Type::kText) throw std::logic_error(field + " is no text");
  const auto found = fields.find(field);
  if (found == fields.end()) return std::nullopt;
  return std::get<std::string>(found->second);
}

}  // namespace loadline
