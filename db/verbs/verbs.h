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
Verb join_verb();
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
/// "no-load|brake|…", as --help shows it.
std::string run_kind_choices();
std::string unknown_run_kind(const std::string& word);

/// One option for every field of every kind, with the kinds named in its help; what `of_runs` has
/// under the same name is told with it.
void add_field_options(boost::program_options::options_description& options,
                       const boost::program_options::options_description* of_runs = nullptr);

/// Whether `option` can be given to a part of this kind (any but another kind's field can).
bool field_fits(const std::string& kind, const std::string& option);

/// Puts the field options that were given into `part`. Error(kInput) for one that its kind has not.
void take_fields(const Arguments& arguments, Part& part);

/// Run number from a word, "7"; Error(kInput) when it is none.
std::int64_t run_number(const std::string& word);

/// `--note`, when it was given.
void take_note(const Arguments& arguments, std::string& note);

/// Options of `import` and `set run` that say what was mounted and under which conditions.
void add_run_options(boost::program_options::options_description& options);
void take_run_options(const Book& book, const Arguments& arguments, Run& run);

/// The options that a fit will miss in `run` as it stands ("--motor and --machine"), or "".
std::string missing_words(const Run& run);

/// Asks, or refuses, when another part of the kind has this name but for capitals and blanks.
void require_distinct_name(const Book& book, const Arguments& arguments, const Part& part);

}  // namespace loadline
