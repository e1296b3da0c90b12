// The verbs of loadline-fit, one file each.
#pragma once

#include "db/basis/command_line.h"

namespace loadline {

Verb motor_verb();
Verb drag_verb();

}  // namespace loadline
