// Which rig, and what was mounted: from the names that a person types to the run's references.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "db/book.h"

namespace loadline {

/// Names as typed; absent when not given.
struct Mounting {
  std::optional<std::string> rig, motor, machine, belt, motor_pulley, hand_pulley;
  std::optional<std::int64_t> slip_check;
  std::optional<double> supply_v, inertia_kgm2, added_inertia_kgm2;
  std::string note;
};

/// The rig of that name; without a name the only rig of the book. Error(kInput) with the way out
/// when there is none or a choice.
Part rig_of(const Book& book, const std::optional<std::string>& name);

/// The same, but a Part with id 0 when the book knows no rig at all and none is named: the rig on
/// the line may then enter itself.
Part rig_or_none(const Book& book, const std::optional<std::string>& name);

/// A run of `kind` with its references. Error(kInput) for names that the book does not know, and
/// for a subject that this kind cannot do without.
Run run_of(const Book& book, RunKind kind, const Mounting& mounting, const Part& rig);

/// One thing that a kind of run cannot do without: any of these fields of Mounting ("motor",
/// "machine", "belt").
struct Need {
  std::vector<std::string> any_of;
  const char* words;  ///< for the sentence "a brake run must say …."
};
std::vector<Need> needs_of(RunKind kind);

/// The kind of run, or Error(kInput) that lists the kinds.
RunKind kind_from(const std::string& word);

/// The next thing to type after this run: "loadline-fit motor M".
std::string next_command(const Book& book, const Run& run);

}  // namespace loadline
