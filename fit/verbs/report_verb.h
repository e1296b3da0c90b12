// loadline-fit report: everything about motors and machines as one page.
#pragma once

#include "db/basis/command_line.h"

namespace loadline {

Verb report_verb();

}  // namespace loadline
