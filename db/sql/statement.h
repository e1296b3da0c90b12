// One prepared SQLite statement as an object, and SQLite's result codes as loadline::Error.
//
// A Statement belongs to its connection and to one thread, like the Book that made it.
#pragma once

#include <sqlite3.h>

#include <cstdint>
#include <optional>
#include <string>
#include <string_view>

#include "db/basis/error.h"

namespace loadline {

/// A row or a page of a book that does not read; the rest of that book may. `check` and `merge` go
/// on with the rest, everybody else takes it as the Error(kBook) that it is.
class Damaged : public Error {
 public:
  Damaged(sqlite3* db, const std::string& sentence) : Error(Fault::kBook, sentence), db_(db) {}
  /// Whether it is the book of this connection, where two are open.
  bool is_in(sqlite3* db) const { return db == db_; }

 private:
  sqlite3* db_;
};

/// Throws the Error that `code` stands for: locked, disk full, read-only, damaged … with the
/// book's path and what to do next. Constraint faults become Error(kInput), a damaged page Damaged.
[[noreturn]] void throw_sqlite_error(sqlite3* db, int code);

/// For a file that did not open: the connection does not know its path then.
[[noreturn]] void throw_cannot_open(const std::string& path);

/// Runs statements without parameters and results.
void execute(sqlite3* db, const std::string& sql);

class Statement {
 public:
  Statement(sqlite3* db, std::string_view sql);
  Statement(Statement&& other) noexcept;
  Statement& operator=(Statement&& other) noexcept;
  ~Statement();

  /// Parameters count from 1. NaN is stored as NULL: SQLite has no NaN, and here it means absent.
  void bind(int index, double value);
  void bind(int index, std::int64_t value);
  void bind(int index, std::int32_t value) { bind(index, std::int64_t{value}); }
  void bind(int index, const std::string& value);
  void bind(int index, const char* value) { bind(index, std::string(value)); }
  void bind_null(int index);
  template <typename T>
  void bind(int index, const std::optional<T>& value) {
    if (value)
      bind(index, *value);
    else
      bind_null(index);
  }
  /// Row ids use 0 for none; the book stores NULL.
  void bind_reference(int index, std::int64_t id) {
    if (id)
      bind(index, id);
    else
      bind_null(index);
  }
  /// Binds all parameters in order.
  template <typename... Values>
  Statement& with(const Values&... values) {
    int index = 0;
    (bind(++index, values), ...);
    return *this;
  }

  /// True when there is a row to read.
  bool step();
  /// Runs to the end and makes the statement ready to be bound again.
  void run();
  void reset();

  // Columns count from 0.
  bool is_null(int column) const;
  std::int64_t whole(int column) const;  ///< 0 for NULL
  double real(int column) const;         ///< NaN for NULL
  std::string text(int column) const;    ///< "" for NULL
  std::optional<double> optional_real(int column) const;
  std::optional<std::int64_t> optional_whole(int column) const;
  std::optional<std::int32_t> optional_int(int column) const;

 private:
  sqlite3* db_;
  sqlite3_stmt* statement_ = nullptr;
};

}  // namespace loadline
