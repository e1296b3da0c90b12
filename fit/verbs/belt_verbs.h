// The verbs of loadline-fit about belts, one source file each.
#pragma once

#include "db/basis/command_line.h"

namespace loadline {

Verb belts_verb();

}  // namespace loadline
