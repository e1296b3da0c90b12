// Motor and foot control at marks of the pedal, from the book into a drive question.
#pragma once

#include "db/basis/command_line.h"
#include "db/book.h"
#include "fit/verbs/drive/drive_case.h"

namespace loadline {

/// Puts what motors entered as `--pedal-of` this one say of slow stitching into the question, once
/// its belt is in, or says in a warning why they do not: nothing without a slow speed or with
/// another kind of pedal asked for. A mark without a curve of its own is read from its top speeds
/// on the question's machine.
void put_marks(const Book& book, const Arguments& arguments, const Part& motor, const Part& machine,
               DriveCase& drive);

}  // namespace loadline
