// What a Book holds, shared by the files that implement it. Nobody outside db/ includes this.
#pragma once

#include <algorithm>
#include <any>
#include <map>
#include <memory>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "db/book.h"
#include "db/sql/statement.h"
#include "db/store/content_hash.h"
#include "db/store/log_mark.h"
#include "db/store/recorder_mark.h"

namespace loadline {

inline constexpr int kRunShift = 42;
inline constexpr std::int64_t kTickMask = (std::int64_t{1} << kRunShift) - 1;
/// The id of a run's row: of a sample `low` is the tick, of a reading its number.
constexpr std::int64_t row_id(std::int64_t run, std::int64_t low) { return run << kRunShift | low; }

/// Rows to make room for. What a run says of itself an altered book may say wrongly: more rows than
/// that still fit, fewer cost nothing.
inline std::size_t rows_to_expect(const Run& run) {
  constexpr std::int64_t kMost = 1 << 24;
  return static_cast<std::size_t>(std::clamp<std::int64_t>(run.sample_count, 0, kMost));
}

/// How long a second writer waits before it is refused.
inline constexpr int kBusyTimeoutMs = 5000;

/// Where the appending of one open run stands.
struct RunWriter {
  bool from_rig = true;  ///< samples, else imported readings
  bool steady = false;   ///< of imported readings: with their standard uncertainties
  std::int64_t count = 0;
  std::int64_t last_tick = -1;
  double last_time_s = -std::numeric_limits<double>::infinity();
  ContentHash hash;
};

/// Inserts of many rows at once and of single ones.
struct Inserts {
  std::optional<Statement> many, one;
};

/// The same, naming only the channels that hold something: the others are empty by themselves,
/// which takes less time than being told so for each row.
struct ChannelInserts : Inserts {
  unsigned channels = 0;  ///< that the statements name
};

struct CloseConnection {
  void operator()(sqlite3* db) const { sqlite3_close_v2(db); }
};

struct Book::State {
  std::string path;
  std::string real_path;  ///< links followed; empty where the book has no log
  Mode mode = Mode::kRead;
  int layout = 0;  ///< schema version of the file
  std::unique_ptr<sqlite3, CloseConnection> db;
  std::unique_ptr<RecorderMark> mark;  ///< made with the first run that this Book begins
  std::map<std::int64_t, RunWriter> writers;
  std::map<std::int64_t, RunWriter> writers_at_begin;  ///< as they were when Transaction began
  // Kept prepared for recording; declared after db so that they are finalized before it closes.
  ChannelInserts sample_inserts, reading_inserts, next_reading_inserts;
  Inserts sd_inserts;
  std::optional<Statement> update_count;
  bool log_was_missing = false;                ///< before this Book opened the file
  bool fold_due = false;                       ///< the log has grown long
  std::optional<std::pair<dev_t, ino_t>> log;  ///< that the open runs are written to

  std::vector<MarkedRun> marks_standing;  ///< that could not be taken away yet

  std::any worked_out;                                          ///< Book::worked_out()
  std::pair<std::int64_t, std::int64_t> worked_out_at{-1, -1};  ///< others' commits, own changes

  State() = default;
  ~State();
  State(const State&) = delete;
  State& operator=(const State&) = delete;

  /// Folds the log into the file, marked as db/store/log_mark.h says.
  void fold();
  bool log_in_place() const { return !log || log == log_identity(real_path); }
  /// SQLite calls it after each commit, with the length of the log.
  static int after_commit(void* self, sqlite3* db, const char* name, int pages);
  const std::string& recorder_mark();
};

/// Makes one call all or nothing: a transaction of its own, or a savepoint inside the caller's.
class Scope {
 public:
  Scope(sqlite3* db, std::map<std::int64_t, RunWriter>& writers);
  ~Scope();
  Scope(const Scope&) = delete;
  Scope& operator=(const Scope&) = delete;
  void commit();

 private:
  sqlite3* db_;
  std::map<std::int64_t, RunWriter>& writers_;
  std::map<std::int64_t, RunWriter> before_;
  bool nested_;
  bool open_ = true;
};

/// Ends runs whose recorder died: counts and hashes what was committed, state 'interrupted'.
/// Returns how many.
int close_abandoned_runs(Book& book);

/// Ends every open run of a copy, whose recorder records into the original.
void close_open_runs(Book& book, const std::string& why);

/// As Book::each_block, for the readings of an imported run.
void each_reading_block(const Book& book, const Run& run, std::size_t block,
                        const std::function<void(std::span<const ImportedReading>)>& take);

/// Layout of an open book. Reading takes every shipped one; writing upgrades first.
int layout_of(const Book& book);

/// Puts down what `after` says otherwise than `before` of one run; `made_utc` is now.
void record_changes(Book& book, const Run& before, const Run& after);
void add_change(Book& book, const RunChange& change);

/// The numbers of a table's rows in their order: for those who go on when one row is Damaged.
std::vector<std::int64_t> row_numbers(sqlite3* db, const char* table);

/// As Book::run, for a curve.
StoredCurve curve_of_number(const Book& book, std::int64_t id);

/// Text for one run's id in a message: "run 7 (brake)".
std::string run_words(const Run& run);

}  // namespace loadline
