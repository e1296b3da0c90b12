// The verbs of loadline-logger, one file each.
#pragma once

#include "db/basis/command_line.h"
#include "logger/rig_line.h"

namespace loadline {

Verb ports_verb();
Verb probe_verb();
Verb zero_verb();
Verb calibrate_verb();
Verb plan_verb();
Verb record_verb();
Verb watch_verb();

/// --port, --baud, --lines, --separator.
void add_line_options(boost::program_options::options_description& options);
/// --for in seconds, or `usual` when it is not given. Error(kInput) unless it is above 0.
double seconds_for(const Arguments& arguments, double usual);
/// --page-port, --listen, --lang.
void add_page_options(boost::program_options::options_description& options);
/// Makes --lang the language of the page; call it before any thread is started. Error(kInput) for
/// one that there is not.
void take_page_language(const Arguments& arguments);
/// --page-port, or `usual`. Error(kInput) unless it is from 0 to 65535.
int page_port(const Arguments& arguments, int usual);
/// What the line options say. Error(kInput) when --port is missing.
RigLineOptions line_options(const Arguments& arguments);

}  // namespace loadline
