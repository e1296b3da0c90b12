// What to put on each machine, worked out once for all sections that need it.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "fit/choose/choice.h"
#include "fit/report/pages/subjects.h"

namespace loadline {

/// The choice for one machine, or what stands in its way.
struct Verdict {
  const Subject* machine = nullptr;
  std::optional<Drawer> drawer;
  DrawerChoice choice;               ///< empty without a drawer
  std::vector<std::string> missing;  ///< sentences: what it takes until there is a choice

  bool chosen() const { return drawer && !choice.choices.empty(); }
};

/// One verdict for each machine, in their order, among the motors that the report is about, or all
/// of the book where it names machines only. No aims
/// are asked for: the fastest that keeps the limits recorded in the book.
std::vector<Verdict> find_verdicts(const Book& book, const Subjects& subjects);

/// "motor 20 / wheel 110": the pulleys of the first choice, as pulley_ratios() names them.
std::optional<std::string> chosen_pulleys(const Verdict& verdict);

}  // namespace loadline
