// The bash completion of a program, from the table of verbs. It offers verbs, options, the words
// that an option chooses from, and the names that the book holds, which it asks loadline-db for.
#pragma once

#include "db/basis/command_table.h"

namespace loadline {

/// The completion as a bash script on standard output.
void print_completion(const Program& program);

}  // namespace loadline
