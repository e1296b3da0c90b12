// The verbs of loadline-db, one file each, and what they share.
#pragma once

#include <string>
#include <vector>

#include "db/basis/command_line.h"
#include "db/book.h"

namespace loadline {

Verb init_verb();
Verb add_verb();
Verb set_verb();
Verb list_verb();
Verb show_verb();
Verb import_verb();
Verb export_verb();
Verb merge_verb();
Verb backup_verb();
Verb check_verb();

/// The kind that a person's word means: "motor" or "motors"; Error(kInput) naming the kinds.
PartKind part_kind_of(const std::string& word);

/// The run kind of --kind, which must be given; Error(kInput) naming the kinds.
RunKind needed_run_kind(const Arguments& arguments);
std::string unknown_run_kind(const std::string& word);

/// One option for every field of every kind, with the kinds named in its help.
void add_field_options(boost::program_options::options_description& options);

/// Puts the field options that were given into `part`. Error(kInput) for one that its kind has not.
void take_fields(const Arguments& arguments, Part& part);

/// Run number from a word, "7"; Error(kInput) when it is none.
std::int64_t run_number(const std::string& word);

/// `--note`, when it was given.
void take_note(const Arguments& arguments, std::string& note);

/// Rows of text under headings, columns lined up; widths count code points.
std::string text_table(const std::vector<std::vector<std::string>>& rows);

/// Options of `import` and `set run` that say what was mounted and under which conditions.
void add_run_options(boost::program_options::options_description& options);
void take_run_options(const Book& book, const Arguments& arguments, Run& run);

}  // namespace loadline
