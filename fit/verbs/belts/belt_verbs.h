// The verbs of loadline-fit about belts, one source file each.
#pragma once

#include <string>
#include <vector>

#include "db/basis/command_line.h"
#include "db/parts.h"

namespace loadline {

Verb belts_verb();
Verb groove_verb();
Verb length_verb();
Verb tension_verb();

/// The part that the verb is about: the one named by option `by` in the book (when given), with the
/// sizes given as options laid over its own.
Part part_from(const Arguments& arguments, PartKind kind, const std::string& by);

/// Options for the sizes of a belt or a pulley, as `loadline-db add` has them.
void add_part_options(boost::program_options::options_description& options, PartKind kind);

/// "590,600,610" as numbers; Error(kInput) naming the option. Empty when the option is not given.
std::vector<double> numbers_in(const Arguments& arguments, const std::string& option);

}  // namespace loadline
