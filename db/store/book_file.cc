#include "db/book.h"

#include <fmt/format.h>
#include <sqlite3.h>
#include <unistd.h>

#include <cerrno>
#include <cstring>
#include <filesystem>

#include "db/basis/new_file.h"
#include "db/schema/schema.h"
#include "db/sql/text.h"
#include "db/store/book_state.h"

namespace loadline {
namespace {

namespace fs = std::filesystem;

Error book_error(const std::string& sentence) { return {Fault::kBook, sentence}; }

void require_file(const std::string& path, Book::Mode mode) {
  std::error_code ignored;
  const fs::file_status status = fs::status(path, ignored);
  if (status.type() == fs::file_type::directory)
    throw book_error(fmt::format("{} is a folder, not a book; name a file with --book.", path));
  if (mode == Book::Mode::kCreate) refuse_beside_a_book(path);
  if (!fs::exists(status)) {
    if (mode != Book::Mode::kCreate)
      throw book_error(
          fmt::format("there is no book at {}; make one with 'loadline-db init --book "
                      "{}', or name another with --book.",
                      path, path));
    const fs::path folder = fs::path(path).parent_path();
    if (!folder.empty() && !fs::is_directory(folder, ignored))
      throw book_error(
          fmt::format("the folder of the book {} does not exist; make it first.", path));
  } else if (mode != Book::Mode::kCreate && fs::file_size(path, ignored) == 0) {
    throw book_error(
        fmt::format("{} is empty and so not a book; remove it or name another with "
                    "--book.",
                    path));
  }
}

sqlite3* open_connection(const std::string& name, int flags) {
  sqlite3* db = nullptr;
  const int code = sqlite3_open_v2(name.c_str(), &db, flags | SQLITE_OPEN_NOMUTEX, nullptr);
  if (code == SQLITE_OK) return db;
  const std::unique_ptr<sqlite3, CloseConnection> closer(db);
  if ((code & 0xff) == SQLITE_CANTOPEN) throw_cannot_open(name);
  throw_sqlite_error(db, code);
}

std::string immutable_uri(const std::string& path) {
  std::string uri = "file:";
  for (const char c : fs::absolute(path).string())
    uri += c == '%' || c == '?' || c == '#' ? fmt::format("%{:02X}", static_cast<int>(c))
                                            : std::string(1, c);
  return uri + "?immutable=1";
}

// A reader needs the log's side files, which it may not make in a folder that is read-only. Without
// a log there is nothing in it to miss, and the file can be read as it lies.
sqlite3* open_for_reading(const std::string& path) {
  const fs::path folder = fs::absolute(path).parent_path();
  std::error_code ignored;
  const bool has_log = fs::exists(path + "-wal", ignored);
  if (access(folder.c_str(), W_OK) != 0 && !has_log)
    return open_connection(immutable_uri(path), SQLITE_OPEN_READONLY | SQLITE_OPEN_URI);
  // Opened for writing where that is allowed, so that the last reader tidies the side files away;
  // query_only keeps it from writing anything else.
  const bool writable = access(path.c_str(), W_OK) == 0;
  return open_connection(path, writable ? SQLITE_OPEN_READWRITE : SQLITE_OPEN_READONLY);
}

// A book may come from somebody else: nothing in its schema may run functions with side effects or
// reach into SQLite's internals.
void distrust(sqlite3* db) {
  sqlite3_db_config(db, SQLITE_DBCONFIG_DEFENSIVE, 1, nullptr);
  sqlite3_db_config(db, SQLITE_DBCONFIG_TRUSTED_SCHEMA, 0, nullptr);
  execute(db, "PRAGMA cell_size_check = ON");
  // No cell of a book is nearly as long; an expression in an altered layout could make one that
  // fills the memory.
  constexpr int kLongestCell = 64 << 20;
  sqlite3_limit(db, SQLITE_LIMIT_LENGTH, kLongestCell);
}

bool is_blank(sqlite3* db) {
  Statement statement(db, "SELECT count(*) FROM sqlite_schema");
  return statement.step() && statement.whole(0) == 0;
}

void require_book(sqlite3* db, const std::string& path, bool may_make) {
  const int id = application_id(db);
  const int version = schema_version(db);
  if (may_make && id == 0 && version == 0 && is_blank(db)) return;
  if (id != kApplicationId)
    throw book_error(
        fmt::format("{} is an SQLite file but not a book; name the right file with "
                    "--book.",
                    path));
  if (version < 1)
    throw book_error(
        fmt::format("the book {} says that it has the layout {}, which there never was: its label "
                    "was altered; take the book from its last backup.",
                    path, version));
  if (version > current_schema_version())
    throw book_error(
        fmt::format("the book {} was written by a newer version of Loadline (layout "
                    "{}, this one knows {}); update Loadline to use it.",
                    path, version, current_schema_version()));
}

void require_own_programs(sqlite3* db, const std::string& path, bool for_writing) {
  if (const auto foreign = foreign_table(db))
    throw book_error(
        fmt::format("the book {} holds a {} '{}' that Loadline did not make and that would run by "
                    "itself; take the book from its last backup.",
                    path, foreign->type, on_one_line(foreign->name)));
  const auto trigger = for_writing ? foreign_trigger(db) : std::nullopt;
  if (trigger)
    throw book_error(
        fmt::format("the book {0} holds a trigger '{1}' that Loadline did not make, so nothing is "
                    "written to it; bring its runs into another book with 'loadline-db merge {0} "
                    "--book OTHER.book'.",
                    path, on_one_line(trigger->name)));
}

bool is_unmoved(sqlite3* db) {
  int moved = 0;
  sqlite3_file_control(db, "main", SQLITE_FCNTL_HAS_MOVED, &moved);
  return moved == 0;
}

bool is_logged(sqlite3* db) {
  Statement statement(db, "PRAGMA journal_mode");
  return statement.step() && statement.text(0) == "wal";
}

bool shows_marks(sqlite3* db) {
  try {
    return !log_marks(db).empty();
  } catch (const Error&) {
    return false;  // a damaged book, which says so when it is read
  }
}

bool has_book_row(sqlite3* db) {
  Statement statement(db, "SELECT 1 FROM book");
  return statement.step();
}

void ready_for_writing(sqlite3* db) {
  // Of a new book only: larger pages take fewer calls to write and to scan.
  execute(db, "PRAGMA page_size = 8192");
  upgrade_schema(db);
  // The log lets readers go on while a run is recorded. On a file system without shared memory
  // SQLite keeps its older journal, which is slower and as safe.
  execute(db,
          "PRAGMA journal_mode = WAL; PRAGMA synchronous = NORMAL; "
          "PRAGMA journal_size_limit = 67108864");
  add_missing_field_columns(db);
  if (!has_book_row(db)) {
    Statement row(db,
                  "INSERT OR IGNORE INTO book (id, uuid, made_utc, program_version) "
                  "VALUES (1, ?, ?, ?)");
    row.with(new_uuid(), utc_now(), LOADLINE_VERSION).run();
  }
}

}  // namespace

Book Book::open(const std::string& path, Mode mode) {
  require_file(path, mode);
  auto state = std::make_unique<State>();
  state->path = path;
  std::error_code ignored;
  const std::string real =
      fs::weakly_canonical(path, ignored).string();  // the log lies beside that
  const bool log_there = has_log(real);
  state->mode = mode;
  int flags = SQLITE_OPEN_READWRITE;
  if (mode == Mode::kCreate) flags |= SQLITE_OPEN_CREATE;
  state->db.reset(mode == Mode::kRead ? open_for_reading(path) : open_connection(path, flags));
  sqlite3* db = state->db.get();
  sqlite3_extended_result_codes(db, 1);
  sqlite3_busy_timeout(db, kBusyTimeoutMs);
  distrust(db);
  require_book(db, path, mode == Mode::kCreate);
  require_own_programs(db, path, mode != Mode::kRead);
  if (mode == Mode::kRead) {
    execute(db, "PRAGMA query_only = ON");
  } else {
    if (sqlite3_db_readonly(db, "main") == 1) throw_sqlite_error(db, SQLITE_READONLY);
    ready_for_writing(db);
  }
  state->layout = schema_version(db);
  execute(db, "PRAGMA foreign_keys = ON");
  // Who writes, writes on: a recorder's pages are not read again, and its memory is not to grow.
  execute(db, mode == Mode::kRead ? "PRAGMA cache_size = -16384" : "PRAGMA cache_size = -4096");
  if (is_logged(db)) {
    state->log_was_missing = !log_there;
    state->real_path = real;
  }
  // A reader that is the last to close tidies the log away; a standing mark says that it must be
  // there.
  if (mode == Mode::kRead && log_there && shows_marks(db))
    sqlite3_db_config(db, SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1, nullptr);
  if (mode != Mode::kRead) sqlite3_wal_hook(db, State::after_commit, state.get());
  Book book(std::move(state));
  if (mode != Mode::kRead) close_abandoned_runs(book);
  return book;
}

Book::Book(std::unique_ptr<State> state) : state_(std::move(state)) {}
Book::Book(Book&&) noexcept = default;
Book& Book::operator=(Book&&) noexcept = default;
Book::~Book() = default;

const std::string& Book::path() const { return state_->path; }
sqlite3* Book::handle() const { return state_->db.get(); }

bool Book::in_place() const { return is_unmoved(handle()) && state_->log_in_place(); }

std::int64_t Book::others_commits() const {
  Statement version(handle(), "PRAGMA data_version");
  version.step();
  return version.whole(0);
}

std::any& Book::worked_out() const {
  const std::pair now(others_commits(), std::int64_t{sqlite3_total_changes64(handle())});
  if (now != state_->worked_out_at) state_->worked_out.reset();
  state_->worked_out_at = now;
  return state_->worked_out;
}

bool Book::log_was_missing() const { return state_->log_was_missing; }

int Book::State::after_commit(void* self, sqlite3* db, const char* name, int pages) {
  constexpr int kLongLog = 1000;     // pages; SQLite's own measure
  constexpr int kLongestLog = 4000;  // where nobody calls commit()
  State& state = *static_cast<State*>(self);
  state.fold_due = (state.fold_due || pages >= kLongLog) && !state.writers.empty();
  if (pages >= (state.fold_due ? kLongestLog : kLongLog))
    sqlite3_wal_checkpoint_v2(db, name, SQLITE_CHECKPOINT_PASSIVE, nullptr, nullptr);
  return SQLITE_OK;
}

void Book::State::fold() {
  std::vector<MarkedRun> runs;
  for (const auto& [run, writer] : writers) runs.push_back({run, writer.count});
  if (!real_path.empty() && !fold_log(db.get(), runs)) marks_standing = std::move(runs);
  fold_due = false;
}

Book::State::~State() {
  if (marks_standing.empty() || clear_log_marks(db.get(), marks_standing)) return;
  // The marks say that a log must be there: so it stays.
  sqlite3_db_config(db.get(), SQLITE_DBCONFIG_NO_CKPT_ON_CLOSE, 1, nullptr);
}

const std::string& Book::State::recorder_mark() {
  if (!mark) mark = std::make_unique<RecorderMark>();
  return mark->text();
}

Book::Transaction::Transaction(Book& book) : book_(book) {
  execute(book.handle(), "BEGIN IMMEDIATE");
  book.state_->writers_at_begin = book.state_->writers;
}

Book::Transaction::~Transaction() {
  if (!open_) return;
  // A full disk may have rolled back already.
  if (!sqlite3_get_autocommit(book_.handle()))
    sqlite3_exec(book_.handle(), "ROLLBACK", nullptr, nullptr, nullptr);
  book_.state_->writers = std::move(book_.state_->writers_at_begin);
}

void Book::Transaction::commit() {
  sqlite3* db = book_.handle();
  if (!is_unmoved(db))
    throw book_error(
        fmt::format("the book {} is no longer in its place: it was moved or deleted, or its drive "
                    "is gone; what "
                    "was committed is in the file that was there. Put it back, then repeat.",
                    book_.path()));
  if (!book_.state_->log_in_place()) {
    // We still hold the log that is gone from its place: what was committed goes into the book.
    sqlite3_exec(db, "ROLLBACK", nullptr, nullptr, nullptr);
    sqlite3_wal_checkpoint_v2(db, nullptr, SQLITE_CHECKPOINT_PASSIVE, nullptr, nullptr);
    throw book_error(
        fmt::format("the log {}-wal of the book was moved, replaced or deleted by another program; "
                    "what was committed is in the book, and nothing more goes into it until all "
                    "programs that have it open have ended.",
                    book_.path()));
  }
  for (const MarkedRun& mark : book_.state_->marks_standing) clear_log_mark(db, mark.run);
  execute(db, "COMMIT");
  open_ = false;
  book_.state_->marks_standing.clear();
  if (book_.state_->fold_due) book_.state_->fold();
}

Scope::Scope(sqlite3* db, std::map<std::int64_t, RunWriter>& writers)
    : db_(db), writers_(writers), before_(writers), nested_(!sqlite3_get_autocommit(db)) {
  execute(db_, nested_ ? "SAVEPOINT scope" : "BEGIN IMMEDIATE");
}

Scope::~Scope() {
  if (!open_) return;
  if (!sqlite3_get_autocommit(db_))
    sqlite3_exec(db_, nested_ ? "ROLLBACK TO scope; RELEASE scope" : "ROLLBACK", nullptr, nullptr,
                 nullptr);
  writers_ = std::move(before_);
}

void Scope::commit() {
  execute(db_, nested_ ? "RELEASE scope" : "COMMIT");
  open_ = false;
}

}  // namespace loadline
