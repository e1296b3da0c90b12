// Rows of an imported run that bear the same time: a logger that rounds its clock to the tenth of a
// second, or writes each row twice, gives many.
#pragma once

#include "db/records.h"

namespace loadline {

/// Makes one row of all that bear one time, with the mean of what each channel has there; its times
/// must not fall, and rise afterwards. Returns how many rows that took away.
///
/// The mean is what the rounded time stands for: rows whose clock was rounded to the nearest step
/// lie evenly about it. A 0 among values of one time of which the least is at least half of the
/// greatest is no value but a lost one, and is left out.
std::size_t merge_repeated_times(ReadingColumns& rows);

}  // namespace loadline
