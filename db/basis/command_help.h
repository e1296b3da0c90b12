// What a program says of itself: `--help` and the man page, both from the table of verbs.
#pragma once

#include "db/basis/command_table.h"

namespace loadline {

/// `PROGRAM --help` on standard output, no line wider than 80 columns but examples.
void print_program_help(const Program& program);

/// `PROGRAM VERB --help`. With `first_word`, only the options that go with it (Verb::option_fits).
void print_verb_help(const Program& program, const Verb& verb, const std::string& first_word);

/// The man page in roff.
void print_man_page(const Program& program);

}  // namespace loadline
