// What can hurt at the bench, said before the runs in which it can.
#pragma once

#include <string>

#include "db/records.h"

namespace loadline {

/// The cautions of a kind of run, lines of text; empty for kinds that need none beyond the usual
/// care. They come before `brake`, `spin-up` and `slip-check`.
std::string cautions_before(RunKind kind);

/// The general cautions, for --help and the man page.
std::string general_cautions();

}  // namespace loadline
