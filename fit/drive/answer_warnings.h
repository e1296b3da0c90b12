// What an answer's reader must be told beside its figures.
#pragma once

#include <string>

#include "fit/drive/figures/answer_lines.h"

namespace loadline {

/// A speed, given in rad/s, in rpm as a sentence says it: three digits, without the unit.
std::string rpm_text(double rad_per_s);

/// Fills `answer.warnings`, the desk's own first; all else of `answer` must be there already.
void add_warnings(const DriveDesk& desk, DriveAnswer& answer);

}  // namespace loadline
