// What is odd but may be meant: asked about at a terminal, refused without one.
#pragma once

#include <string>

#include "db/basis/command_line.h"

namespace loadline {

/// Adds --yes, which says that odd input is meant.
void add_yes_option(boost::program_options::options_description& options);

/// Returns when --yes was given or a person at the terminal says yes; else Error(kInput). `oddity`
/// is a sentence without its full stop, which says what looks odd and what to do about it.
void require_meant(const Arguments& arguments, const std::string& oddity);

}  // namespace loadline
