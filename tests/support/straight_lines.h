// Books whose answers follow by hand: motors of torque Ts(1 − ω/ωn), a machine whose drag does not
// change with the speed, and top speeds as rows of a file.
#pragma once

#include <algorithm>
#include <cmath>
#include <map>
#include <string>
#include <variant>
#include <vector>

#include "db/book.h"

namespace loadline::testing {

using Fields = std::map<std::string, std::variant<double, std::string>>;

inline Part part(PartKind kind, const std::string& name, const Fields& fields = {}) {
  Part result;
  result.kind = kind;
  result.name = name;
  result.fields = fields;
  return result;
}

/// Stall torque and free speed of a motor, or c₀, c₁, c₂ of a machine, each known to `relative_sd`;
/// measured from `low` (rad/s; a machine's from standstill) to `high`.
inline StoredCurve straight_curve(bool of_machine, std::int64_t subject,
                                  const std::vector<double>& parameters, double relative_sd,
                                  double low, double high) {
  StoredCurve curve;
  curve.of_machine = of_machine;
  curve.subject = subject;
  curve.model = of_machine ? "drag" : "permanent-magnet";
  curve.parameter_names = of_machine ? std::vector<std::string>{"c0", "c1", "c2"}
                                     : std::vector<std::string>{"stall", "omega_n"};
  curve.parameters = parameters;
  curve.covariance = Covariance(parameters.size());
  for (std::size_t k = 0; k < parameters.size(); ++k)
    curve.covariance(k, k) = std::pow(relative_sd * parameters[k], 2);
  curve.degrees_of_freedom = 1e9;
  curve.speed_low = of_machine ? 0 : low;
  curve.speed_high = high;
  if (!of_machine) curve.supply_v = 230;
  return curve;
}

/// What stood on the machine in a top-speed run.
struct Mounted {
  std::string motor, machine, belt, motor_pulley, hand_pulley;
};

/// A top-speed run as rows of a file: motor and hand wheel steady, with values that differ from row
/// to row, as a tachometer's do.
inline void add_top_speed_run(Book& book, const Mounted& mounted, double motor_rpm,
                              double wheel_rpm) {
  Run run;
  run.kind = RunKind::kTopSpeed;
  run.source = RunSource::kFile;
  run.motor = book.get(PartKind::kMotor, mounted.motor).id;
  run.machine = book.get(PartKind::kMachine, mounted.machine).id;
  run.belt = book.get(PartKind::kBelt, mounted.belt).id;
  run.motor_pulley = book.get(PartKind::kPulley, mounted.motor_pulley).id;
  run.hand_pulley = book.get(PartKind::kPulley, mounted.hand_pulley).id;
  run.supply_v = 230;
  const auto id = book.begin_run(run);
  std::vector<ImportedReading> rows(800);
  for (std::size_t k = 0; k < rows.size(); ++k) {
    const double wobble = 1 + 1e-4 * std::sin(0.9 * static_cast<double>(k));
    rows[k].time_s = 0.02 * static_cast<double>(k);
    rows[k].motor_rpm = motor_rpm * wobble;
    rows[k].handwheel_rpm = wheel_rpm * wobble;
  }
  book.append(id, rows);
  book.end_run(id, RunState::kComplete);
}

/// In characters, of UTF-8.
inline std::size_t widest_line(const std::string& text) {
  std::size_t widest = 0, here = 0;
  for (const char c : text) {
    here = c == '\n' ? 0 : here + ((static_cast<unsigned char>(c) & 0xC0U) != 0x80U);
    widest = std::max(widest, here);
  }
  return widest;
}

}  // namespace loadline::testing
