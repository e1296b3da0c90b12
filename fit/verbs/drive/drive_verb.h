// loadline-fit drive: what a motor makes of a machine through a pulley pair and a belt.
#pragma once

#include "db/basis/command_line.h"

namespace loadline {

Verb drive_verb();

}  // namespace loadline
