// A copy of the book that is whole, even while runs are being recorded into it.
#pragma once

#include <functional>
#include <string>

#include "db/book.h"

namespace loadline {

/// Copies `book` as it stands now into the new file `path` (Error(kInput) when there is one). The
/// recorder is not held up: the copy is read from a snapshot (SQLite's online backup). A run that
/// is being recorded is in the copy as far as it was committed, as 'interrupted'. The copy is
/// checked before it gets its name, and nothing is left behind when anything fails. `progress` gets
/// pages done and in all.
void backup_book(const Book& book, const std::string& path,
                 const std::function<void(double, double)>& progress = {});

}  // namespace loadline
