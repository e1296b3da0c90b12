#include "logger/mounting.h"

#include <fmt/format.h>

#include <algorithm>

#include "db/basis/shell_word.h"
#include "db/limits.h"

namespace loadline {
namespace {

std::int64_t reference(const Book& book, PartKind kind, const std::optional<std::string>& name) {
  return name ? book.get(kind, *name).id : 0;
}

bool is_met(const Need& need, const Run& run) {
  return std::any_of(need.any_of.begin(), need.any_of.end(), [&](const std::string& field) {
    return field == "motor"     ? run.motor != 0
           : field == "machine" ? run.machine != 0
                                : run.belt != 0;
  });
}

}  // namespace

std::vector<Need> needs_of(RunKind kind) {
  switch (kind) {
    case RunKind::kNoLoad:
    case RunKind::kBrake:
    case RunKind::kSpinUp:
      return {{{"motor"}, "which motor it measures: --motor M"}};
    case RunKind::kCoastDown:
      return {{{"machine", "motor"}, "what coasts down: --machine K (or --motor M)"}};
    case RunKind::kDriven:
      return {{{"motor"}, "both ends of the drive: --motor M --machine K"},
              {{"machine"}, "both ends of the drive: --motor M --machine K"}};
    case RunKind::kTopSpeed:
      return {{{"machine"}, "which machine it drives: --machine K"}};
    case RunKind::kSlipCheck:
      return {{{"machine", "motor", "belt"}, "what is checked: --machine K and --belt B"}};
  }
  return {};
}

RunKind kind_from(const std::string& word) {
  if (const auto kind = run_kind_from_name(word)) return *kind;
  std::string known;
  for (const RunKind kind : kRunKinds)
    known += fmt::format("{}{}", known.empty() ? "" : ", ", run_kind_name(kind));
  throw Error(Fault::kInput,
              fmt::format("'{}' is no kind of run; the kinds are: {}.", word, known));
}

Part rig_of(const Book& book, const std::optional<std::string>& name) {
  if (name) return book.get(PartKind::kRig, *name);
  const std::vector<Part> rigs = book.parts(PartKind::kRig);
  if (rigs.size() == 1) return rigs.front();
  if (rigs.empty())
    throw Error(Fault::kInput,
                "the book knows no rig yet; describe yours with 'loadline-db add rig "
                "NAME --arm-mm …'.");
  std::string names;
  for (const Part& rig : rigs) names += (names.empty() ? "" : ", ") + shell_word(rig.name);
  throw Error(Fault::kInput, fmt::format("which rig? The book knows {}; add --rig NAME.", names));
}

Part rig_or_none(const Book& book, const std::optional<std::string>& name) {
  if (name || !book.parts(PartKind::kRig).empty()) return rig_of(book, name);
  Part none;
  none.kind = PartKind::kRig;
  return none;
}

Run run_of(const Book& book, RunKind kind, const Mounting& mounting, const Part& rig) {
  Run run;
  run.kind = kind;
  run.rig = rig.id;
  run.motor = reference(book, PartKind::kMotor, mounting.motor);
  run.machine = reference(book, PartKind::kMachine, mounting.machine);
  run.belt = reference(book, PartKind::kBelt, mounting.belt);
  run.motor_pulley = reference(book, PartKind::kPulley, mounting.motor_pulley);
  run.hand_pulley = reference(book, PartKind::kPulley, mounting.hand_pulley);
  run.supply_v = mounting.supply_v;
  run.inertia_kgm2 = mounting.inertia_kgm2;
  run.added_inertia_kgm2 = mounting.added_inertia_kgm2;
  run.note = mounting.note;
  if (run.inertia_kgm2) require_bench_inertia(*run.inertia_kgm2);
  if (mounting.slip_check) {
    run.slip_check = *mounting.slip_check;
    if (book.run(run.slip_check).kind != RunKind::kSlipCheck)
      throw Error(Fault::kInput,
                  fmt::format("run {} is no slip check; 'loadline-db list runs' shows which are.",
                              run.slip_check));
  }
  for (const Need& need : needs_of(kind))
    if (!is_met(need, run))
      throw Error(Fault::kInput,
                  fmt::format("a {} run must say {}.", run_kind_name(kind), need.words));
  return run;
}

std::string next_command(const Book& book, const Run& run) {
  const auto name = [&](PartKind kind, std::int64_t id) {
    return shell_word(book.part(kind, id).name);
  };
  switch (run.kind) {
    case RunKind::kNoLoad:
    case RunKind::kBrake:
    case RunKind::kSpinUp:
      return "loadline-fit motor " + name(PartKind::kMotor, run.motor);
    case RunKind::kCoastDown:
    case RunKind::kDriven:
      return run.machine ? "loadline-fit drag " + name(PartKind::kMachine, run.machine)
                         : "loadline-fit motor " + name(PartKind::kMotor, run.motor);
    case RunKind::kSlipCheck: {
      std::string words = fmt::format("loadline-logger record top-speed --slip-check {}", run.id);
      if (run.machine) words += " --machine " + name(PartKind::kMachine, run.machine);
      if (run.motor) words += " --motor " + name(PartKind::kMotor, run.motor);
      if (run.belt) words += " --belt " + name(PartKind::kBelt, run.belt);
      if (run.motor_pulley) words += " --motor-pulley " + name(PartKind::kPulley, run.motor_pulley);
      if (run.hand_pulley) words += " --hand-pulley " + name(PartKind::kPulley, run.hand_pulley);
      return words;
    }
    case RunKind::kTopSpeed:
      return "loadline-fit belts --machine " + name(PartKind::kMachine, run.machine);
  }
  return "";
}

}  // namespace loadline
