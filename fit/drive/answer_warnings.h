// What an answer's reader must be told beside its figures.
#pragma once

#include "fit/drive/figures/answer_lines.h"

namespace loadline {

/// Fills `answer.warnings`, the desk's own first; all else of `answer` must be there already.
void add_warnings(const DriveDesk& desk, DriveAnswer& answer);

}  // namespace loadline
