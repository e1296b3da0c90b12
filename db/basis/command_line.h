// The shape that the four programs share: PROGRAM VERB [NAMES] [--options].
//
// A program is a table of verbs. From this one table come the parsing, `--help` of the program and
// of each verb, `--version`, the man page and the bash completion, so that they cannot disagree.
// Errors thrown as loadline::Error end as one sentence on stderr and the contract's exit status.
#pragma once

#include <boost/program_options.hpp>
#include <functional>
#include <optional>
#include <string>
#include <vector>

#include "db/basis/command_table.h"
#include "db/basis/error.h"
#include "db/basis/estimate.h"

namespace loadline {

/// --book's default: $LOADLINE_BOOK, else bench.book.
std::string usual_book_path();

/// Adds --json and --book (unless `without_book`) to the options of a verb.
void add_common_options(boost::program_options::options_description& options,
                        bool without_book = false);

/// Parses, runs, reports. Never throws; returns the exit status.
/// `--man` prints the man page (roff), `--completion` the bash completion; both are for packaging.
int run_program(const Program& program, int argc, const char* const* argv);

/// One JSON document on stdout, with a final newline.
void print_json(const Json& document);

/// For people: stdout normally, stderr under --json so that stdout holds nothing but JSON.
void say(const Arguments& arguments, const std::string& text);

/// A warning for people, always on stderr: "loadline-fit: warning: …".
void warn(const std::string& sentence);

/// Name of the running program, set by run_program ("loadline" before).
const std::string& program_name();

}  // namespace loadline
