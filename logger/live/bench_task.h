// What the page asks to have put into the book between runs: a part, a run put aside.
#pragma once

#include <string>

#include "db/basis/estimate.h"
#include "db/book.h"

namespace loadline {

/// Carries a task out and says what was done, as a code of the page's words with what stands in it:
///   {"task": "part", "kind": "motor", "name": N, "fields": {"max-rpm": 9000, "type": "series"}}
///   {"task": "aside", "run": N, "aside": true|false}
/// Error(kInput) when it cannot be done; then the book is as before.
Json carry_out_task(Book& book, const Json& task);

}  // namespace loadline
