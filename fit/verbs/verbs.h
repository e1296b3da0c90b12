// The verbs of loadline-fit, one file each.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "db/basis/command_line.h"

namespace loadline {

Verb choose_verb();
Verb motor_verb();
Verb drag_verb();
Verb history_verb();
Verb report_verb();

/// The run numbers given to a multi-word option; Error(kInput) for anything else.
std::vector<std::int64_t> whole_numbers(const Arguments& arguments, const std::string& option);

class Book;
/// Error(kInput) when one of these runs is still being recorded: what is stored of it would be
/// taken for the whole.
void require_ended(const Book& book, const std::vector<std::int64_t>& runs);

}  // namespace loadline
