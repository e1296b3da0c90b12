// What the page asks to have put into the book between runs: a part, a run put aside.
#pragma once

#include <string>

#include "db/basis/estimate.h"
#include "db/book.h"
#include "logger/live/page_calibration.h"

namespace loadline {

/// Carries a task out and says what was done, as a code of the page's words with what stands in it:
///   {"task": "part", "kind": "motor", "name": N, "fields": {"max-rpm": 9000, "type": "series"}}
///   {"task": "aside", "run": N, "aside": true|false}
/// Numbers may be texts with a unit. Where something looks odd it does nothing and gives {"asks":
/// [what looks odd]}, unless the task has "meant": true. Error(kInput) when it cannot be done; then
/// the book is as before.
Json carry_out_task(Book& book, const Json& task);

/// The line through these points into the book; asks and answers as carry_out_task.
Json keep_calibration(Book& book, const Part& rig, const PageCalibration& points, bool meant);

}  // namespace loadline
