#include "db/sql/statement.h"

#include <fmt/format.h>
#include <sys/resource.h>

#include <algorithm>
#include <limits>
#include <regex>
#include <utility>

#include "db/sql/text.h"

namespace loadline {
namespace {

std::string path_of(sqlite3* db) {
  const char* name = db ? sqlite3_db_filename(db, "main") : nullptr;
  return name && *name ? name : "(in memory)";
}

// It may quote names from an altered book.
std::string message_of(sqlite3* db) { return on_one_line(sqlite3_errmsg(db)); }

// SQLite does not hand the system's reason for a failed write on in a dependable way.
bool session_limits_file_size() {
  rlimit limit{};
  return getrlimit(RLIMIT_FSIZE, &limit) == 0 && limit.rlim_cur != RLIM_INFINITY;
}

std::string write_fault(sqlite3* db, const std::string& path) {
  if (sqlite3_extended_errcode(db) == SQLITE_IOERR_WRITE && session_limits_file_size())
    return fmt::format(
        "the book {} met the file-size limit of this session; what was committed is "
        "kept. Raise the limit (ulimit -f) and repeat.",
        path);
  return fmt::format(
      "the book {} could not be read or written ({}); what was committed is kept. "
      "Check that its drive is still there and sound.",
      path, message_of(db));
}

std::string book_fault(sqlite3* db, int code) {
  const std::string path = path_of(db);
  switch (code & 0xff) {
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
      return fmt::format(
          "the book {} is being written by another program; wait until it has "
          "finished, then repeat.",
          path);
    case SQLITE_FULL:
      return fmt::format(
          "the disk that holds the book {} is full; what was committed is kept. "
          "Free some space, then repeat.",
          path);
    case SQLITE_READONLY:
    case SQLITE_PERM:
      return fmt::format(
          "the book {} may only be read here; change the permission of the file and "
          "of its folder, or copy it to a folder of your own.",
          path);
    case SQLITE_CANTOPEN:
      return fmt::format(
          "the book {} cannot be opened; check that its folder exists and may be "
          "written to.",
          path);
    case SQLITE_NOTADB:
      return fmt::format(
          "{} is not a book (it is no SQLite file); name the right file with "
          "--book.",
          path);
    case SQLITE_CORRUPT:
      return fmt::format(
          "the book {} is damaged ({}); work on a copy, and restore it from its last "
          "backup.",
          path, message_of(db));
    case SQLITE_IOERR:
      return write_fault(db, path);
    default:
      return fmt::format("the book {} answered: {}; run 'loadline-db check' on it.", path,
                         message_of(db));
  }
}

// "CHECK constraint failed: supply_v BETWEEN 0 AND 10000" as a person would say it; "" for another.
std::string range_fault(const std::string& message) {
  static const std::regex between(R"(.*: (\w+) BETWEEN (\S+) AND (\S+))");
  std::smatch found;
  if (!std::regex_match(message, found, between)) return "";
  std::string name = found[1];
  std::replace(name.begin(), name.end(), '_', '-');
  return fmt::format("--{} takes values from {} to {} only; check the unit in its name.", name,
                     found[2].str(), found[3].str());
}

std::string constraint_fault(sqlite3* db, int code) {
  if (code == SQLITE_CONSTRAINT_FOREIGNKEY)
    return "the book refuses this: it refers to a part or run that is not in the book.";
  if (code == SQLITE_CONSTRAINT_TRIGGER)
    return fmt::format("the book refuses this: {}.", message_of(db));
  const std::string message = message_of(db);
  if (std::string range = range_fault(message); !range.empty()) return range;
  return fmt::format("the book refuses this value ({}); check it against --help.", message);
}

}  // namespace

void throw_cannot_open(const std::string& path) {
  throw Error(Fault::kBook, fmt::format("{} cannot be opened or made; check that its folder exists "
                                        "and may be written to.",
                                        path));
}

void throw_sqlite_error(sqlite3* db, int code) {
  const int extended = db ? sqlite3_extended_errcode(db) : code;
  if ((code & 0xff) == SQLITE_CONSTRAINT)
    throw Error(Fault::kInput, constraint_fault(db, extended));
  if ((code & 0xff) == SQLITE_NOMEM) throw std::bad_alloc();
  if ((code & 0xff) == SQLITE_CORRUPT) throw Damaged(db, book_fault(db, code));
  throw Error(Fault::kBook, book_fault(db, code));
}

void execute(sqlite3* db, const std::string& sql) {
  const int code = sqlite3_exec(db, sql.c_str(), nullptr, nullptr, nullptr);
  if (code != SQLITE_OK) throw_sqlite_error(db, code);
}

Statement::Statement(sqlite3* db, std::string_view sql) : db_(db) {
  const int code =
      sqlite3_prepare_v2(db, sql.data(), static_cast<int>(sql.size()), &statement_, nullptr);
  if (code != SQLITE_OK) throw_sqlite_error(db, code);
}

Statement::Statement(Statement&& other) noexcept
    : db_(other.db_), statement_(std::exchange(other.statement_, nullptr)) {}

Statement& Statement::operator=(Statement&& other) noexcept {
  std::swap(db_, other.db_);
  std::swap(statement_, other.statement_);
  return *this;
}

Statement::~Statement() { sqlite3_finalize(statement_); }

void Statement::bind(int index, double value) { sqlite3_bind_double(statement_, index, value); }

void Statement::bind(int index, std::int64_t value) {
  sqlite3_bind_int64(statement_, index, value);
}

void Statement::bind(int index, const std::string& value) {
  const int code = sqlite3_bind_text64(statement_, index, value.data(), value.size(),
                                       SQLITE_TRANSIENT, SQLITE_UTF8);
  if (code != SQLITE_OK) throw_sqlite_error(db_, code);
}

void Statement::bind_null(int index) { sqlite3_bind_null(statement_, index); }

bool Statement::step() {
  const int code = sqlite3_step(statement_);
  if (code == SQLITE_ROW) return true;
  if (code == SQLITE_DONE) return false;
  sqlite3_reset(statement_);
  throw_sqlite_error(db_, code);
}

void Statement::run() {
  while (step()) {
  }
  reset();
}

void Statement::reset() { sqlite3_reset(statement_); }

bool Statement::is_null(int column) const {
  return sqlite3_column_type(statement_, column) == SQLITE_NULL;
}

std::int64_t Statement::whole(int column) const { return sqlite3_column_int64(statement_, column); }

double Statement::real(int column) const {
  return is_null(column) ? std::numeric_limits<double>::quiet_NaN()
                         : sqlite3_column_double(statement_, column);
}

std::string Statement::text(int column) const {
  const auto* bytes = reinterpret_cast<const char*>(sqlite3_column_text(statement_, column));
  if (!bytes) return "";
  return {bytes, static_cast<std::size_t>(sqlite3_column_bytes(statement_, column))};
}

std::optional<double> Statement::optional_real(int column) const {
  if (is_null(column)) return std::nullopt;
  return sqlite3_column_double(statement_, column);
}

std::optional<std::int64_t> Statement::optional_whole(int column) const {
  if (is_null(column)) return std::nullopt;
  return whole(column);
}

std::optional<std::int32_t> Statement::optional_int(int column) const {
  if (is_null(column)) return std::nullopt;
  return sqlite3_column_int(statement_, column);
}

}  // namespace loadline
