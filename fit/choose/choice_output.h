// A choice as it is printed: the contract's JSON, and a page for people.
#pragma once

#include <string>
#include <utility>
#include <vector>

#include "db/basis/estimate.h"
#include "fit/choose/choice.h"

namespace loadline {

/// The contract's document and more.
Json to_json(const Drawer& drawer, const Aims& aims, const DrawerChoice& choice);

/// The sentence first, then the best few, why the others fall out, and what to record next. No line
/// is wider than kPageWidth but for names that are.
std::string to_text(const Drawer& drawer, const Aims& aims, const DrawerChoice& choice);

/// The same without its tables, a paragraph each: what to put on, the runner-up, what the belts are
/// known from, what to record next or that it is enough.
std::vector<std::string> verdict_of(const Drawer& drawer, const Aims& aims,
                                    const DrawerChoice& choice);

/// "Heron 70, motor 20, notched": the hand pulley only where there are several.
std::string brief_name(const Drawer& drawer, const Candidate& candidate);

/// The first few choices that a person may want to see: those that may meet the aims.
std::size_t shown_choices(const DrawerChoice& choice);

/// Key and value of the parts of a candidate: ("motor", "Heron 70"), ("motor_pulley", …) and so on,
/// the belt only where there is one.
std::vector<std::pair<std::string, std::string>> parts_of(const Drawer& drawer,
                                                          const Candidate& candidate);

}  // namespace loadline
