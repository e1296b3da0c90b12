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
/// --page-port, --listen.
void add_page_options(boost::program_options::options_description& options);
/// What the line options say. Error(kInput) when --port is missing.
RigLineOptions line_options(const Arguments& arguments);

}  // namespace loadline
