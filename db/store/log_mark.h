// How a lost log shows.
//
// What a recorder commits goes into the log beside the book (BOOK-wal) and is folded into the book
// from time to time. A book whose log was lost is whole in itself, only older, so nothing in it
// would tell. So each folding ends with a mark "the rest is in the log", and the next commit, in
// the log alone, takes it away: a book that shows the mark and has no log beside it has lost it.
#pragma once

#include <sqlite3.h>
#include <sys/types.h>

#include <cstdint>
#include <optional>
#include <string>
#include <utility>
#include <vector>

namespace loadline {

/// Whether a log that SQLite would read lies beside the book. To be asked before the book is
/// opened, which makes a new one.
bool has_log(const std::string& book);

/// Which file the log is: device and inode; empty where there is none.
std::optional<std::pair<dev_t, ino_t>> log_identity(const std::string& book);

struct MarkedRun {
  std::int64_t run = 0;
  std::int64_t rows = 0;  ///< of the run that are in the book itself
};
/// Folds the log into the book, with the mark for these runs. A fault is left to the next commit,
/// which meets it too; false when the marks may stand because of it.
bool fold_log(sqlite3* db, const std::vector<MarkedRun>& runs);

/// The marks that the book shows. `lost` once a later opening has found the log missing.
struct LogMark : MarkedRun {
  bool lost = false;
};
std::vector<LogMark> log_marks(sqlite3* db);
/// Takes these runs' marks away; false when that fails.
bool clear_log_marks(sqlite3* db, const std::vector<MarkedRun>& runs);
/// Takes the run's mark away, unless it says that something is lost.
void clear_log_mark(sqlite3* db, std::int64_t run);
void keep_log_mark_as_lost(sqlite3* db, const MarkedRun& run);

}  // namespace loadline
