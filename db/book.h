// The book: the one SQLite file that holds everything measured and fitted. This is the only door.
//
// Threads: a Book is one SQLite connection and may be used by one thread at a time; open one Book
// per thread (or process). Any number of readers and one writer work side by side (WAL); a second
// writer waits up to busy_timeout_ms, then gets Error(kBook). Errors: Error(kInput) for what the
// caller named wrongly (an unknown motor, a bad value), Error(kBook) for the file itself (not a
// book, newer version, locked, disk full). After an error nothing of the failed call is in the
// book.
#pragma once

#include <any>
#include <cstdint>
#include <functional>
#include <memory>
#include <optional>
#include <span>
#include <string>
#include <vector>

#include "db/basis/error.h"
#include "db/parts.h"
#include "db/records.h"

struct sqlite3;

namespace loadline {

/// Which runs to list; an empty field means any.
struct RunFilter {
  std::optional<RunKind> kind;
  std::optional<std::int64_t> motor, machine, belt, rig;
  bool with_open = false;  ///< also runs that are still being recorded
};

class Book {
 public:
  enum class Mode {
    kRead,    ///< must exist; never changed; every shipped layout is read
    kWrite,   ///< must exist; migrates forward; closes runs whose recorder died
    kCreate,  ///< like kWrite, and makes the book when there is no file
  };

  /// Opens `path`. kRead never changes the file.
  static Book open(const std::string& path, Mode mode);

  Book(Book&&) noexcept;
  Book& operator=(Book&&) noexcept;
  ~Book();

  const std::string& path() const;
  /// False when the file was moved or deleted, or its drive went, since it was opened: a write
  /// would still succeed, and reach nobody who looks for it at path(). Transaction::commit asks
  /// this.
  bool in_place() const;
  /// Differs from what it was when somebody else (another Book, another process) has committed
  /// something since.
  std::int64_t others_commits() const;
  /// A place for what one reader works out of this book and wants to find again: empty at first,
  /// and again after any change, by whomever. Goes with the book.
  std::any& worked_out() const;

  // ---- parts -------------------------------------------------------------------------------
  /// Stores a new part and returns its id. Error(kInput) when the name is taken or a value is out
  /// of the field's range.
  std::int64_t add(const Part& part);
  /// Writes all fields of an existing part (by id).
  void update(const Part& part);
  std::optional<Part> find(PartKind kind, const std::string& name) const;
  /// As find, but Error(kInput) that names the closest names in the book.
  Part get(PartKind kind, const std::string& name) const;
  Part part(PartKind kind, std::int64_t id) const;
  std::vector<Part> parts(PartKind kind) const;  ///< by name
  /// Whether a part has this very name; find() and get() know the names of joined parts too.
  bool has(PartKind kind, const std::string& name) const;
  /// Motor, machine or belt; uuid and made_utc are filled when empty. Error(kInput) for a date that
  /// is none.
  void add_part_event(const PartEvent& event);
  std::vector<PartEvent> part_events() const;  ///< by date
  std::vector<PartEvent> part_events(PartKind kind, std::int64_t part) const;
  /// Parts that were joined into others, see db/care/join.h.
  std::vector<JoinedPart> joined() const;
  std::vector<JoinedPart> joined(PartKind kind, std::int64_t into) const;
  std::optional<std::int64_t> joined_into(PartKind kind, const std::string& uuid) const;
  void add_joined(const JoinedPart& joined);

  // ---- runs --------------------------------------------------------------------------------
  /// Opens a run (state kOpen; uuid, started_utc and program_version are filled when empty). It
  /// counts as being recorded as long as this Book lives; keep it until end_run.
  std::int64_t begin_run(const Run& run);
  /// Appends in order. Ticks must rise within a run (from 0 to 2^42 - 1) and the time of readings
  /// must not fall, else Error(kInput). Call inside a Transaction for speed and atomicity; one call
  /// is all or nothing either way.
  void append(std::int64_t run, std::span<const Sample> samples);
  void append(std::int64_t run, std::span<const ImportedReading> readings);
  void add_event(const RunEvent& event);
  void add_zero(const Zero& zero);
  /// Ends a run: state, sample count, content hash.
  void end_run(std::int64_t run, RunState state);
  /// Rewrites all that is said of a run, also of an ended one, but never its samples. What an ended
  /// run said otherwise before stays in changes(). Where its kind was slip-check and is no longer,
  /// the runs that leaned on it lean on none.
  void update_run(const Run& run);
  std::vector<RunChange> changes(std::int64_t run) const;  ///< oldest first

  Run run(std::int64_t id) const;                             ///< Error(kInput) when there is none
  std::vector<Run> runs(const RunFilter& filter = {}) const;  ///< by id
  /// Streams a run's samples in order, in blocks of at most `block` rows; nothing else is held.
  void each_block(std::int64_t run, std::size_t block,
                  const std::function<void(std::span<const Sample>)>& take) const;
  std::vector<Sample> samples(std::int64_t run) const;
  std::vector<ImportedReading> readings(std::int64_t run) const;
  /// The same by channel, several times as quick; a long run is read by two threads, each with its
  /// own connection.
  ReadingColumns reading_columns(std::int64_t run) const;
  std::vector<RunEvent> events(std::int64_t run) const;
  std::vector<Zero> zeros(std::int64_t run) const;  ///< of the run; "alone" ones by latest_zero
  std::optional<Zero> latest_zero(std::int64_t rig) const;

  // ---- calibrations and curves -------------------------------------------------------------
  std::int64_t add_calibration(const Calibration& calibration);
  std::optional<Calibration> latest_calibration(std::int64_t rig) const;
  std::vector<Calibration> calibrations(std::int64_t rig) const;  ///< oldest first
  std::int64_t add_curve(const StoredCurve& curve);
  std::optional<StoredCurve> latest_curve(bool of_machine, std::int64_t subject) const;
  std::vector<StoredCurve> curves() const;

  // ---- belt session plans, and small things kept by name -----------------------------------
  /// A named JSON document in the book ("plan/evening", "slip-band"); empty when there is none.
  std::optional<std::string> document(const std::string& name) const;
  void put_document(const std::string& name, const std::string& json);
  std::vector<std::string> document_names(const std::string& prefix) const;

  /// Commits on commit(), rolls back when destroyed without it. Must not outlive the Book, no
  /// nesting. commit() throws Error(kBook) and leaves nothing when the book is not in_place().
  class Transaction {
   public:
    explicit Transaction(Book& book);
    ~Transaction();
    Transaction(const Transaction&) = delete;
    Transaction& operator=(const Transaction&) = delete;
    void commit();

   private:
    Book& book_;
    bool open_ = true;
  };

  /// Whether the file was without its log when this Book opened it; only where it shows a mark
  /// (db/store/log_mark.h) does that mean a loss.
  bool log_was_missing() const;

  /// For db/ itself (exchange, check, backup) and for tests; everyone else uses the calls above.
  sqlite3* handle() const;

 private:
  struct State;
  void append_sds(std::int64_t first, std::span<const ImportedReading> readings);
  explicit Book(std::unique_ptr<State> state);
  std::unique_ptr<State> state_;
};

}  // namespace loadline
