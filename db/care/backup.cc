#include "db/care/backup.h"

#include <fmt/format.h>

#include <filesystem>

#include "db/basis/new_file.h"
#include "db/store/book_state.h"

namespace loadline {
namespace {

namespace fs = std::filesystem;

// Removes the unfinished copy, unless it was finished.
class Unfinished {
 public:
  explicit Unfinished(std::string path) : path_(std::move(path)) {}
  ~Unfinished() {
    std::error_code ignored;
    for (const char* end : {"", "-wal", "-shm", "-journal"}) fs::remove(path_ + end, ignored);
  }
  Unfinished(const Unfinished&) = delete;
  Unfinished& operator=(const Unfinished&) = delete;
  const std::string& path() const { return path_; }

 private:
  std::string path_;
};

// Holds one state of the source for as long as it lives; writers go on beside it.
class Snapshot {
 public:
  explicit Snapshot(sqlite3* db) : db_(db) {
    execute(db_, "BEGIN");
    Statement touch(db_, "SELECT count(*) FROM book");
    touch.step();
  }
  ~Snapshot() { sqlite3_exec(db_, "ROLLBACK", nullptr, nullptr, nullptr); }
  Snapshot(const Snapshot&) = delete;
  Snapshot& operator=(const Snapshot&) = delete;

 private:
  sqlite3* db_;
};

void copy_pages(sqlite3* from, sqlite3* to, const std::function<void(double, double)>& progress) {
  constexpr int kPagesPerStep = 1024;
  sqlite3_backup* backup = sqlite3_backup_init(to, "main", from, "main");
  if (!backup) throw_sqlite_error(to, sqlite3_errcode(to));
  int code = SQLITE_OK;
  while (code == SQLITE_OK) {
    code = sqlite3_backup_step(backup, kPagesPerStep);
    const int in_all = sqlite3_backup_pagecount(backup);
    if (progress) progress(in_all - sqlite3_backup_remaining(backup), in_all);
  }
  sqlite3_backup_finish(backup);
  if (code != SQLITE_DONE) throw_sqlite_error(to, code);
}

void copy_to(const Book& book, const std::string& path,
             const std::function<void(double, double)>& progress) {
  sqlite3* raw = nullptr;
  const int code =
      sqlite3_open_v2(path.c_str(), &raw, SQLITE_OPEN_READWRITE | SQLITE_OPEN_CREATE, nullptr);
  const std::unique_ptr<sqlite3, CloseConnection> copy(raw);
  if ((code & 0xff) == SQLITE_CANTOPEN) throw_cannot_open(path);
  if (code != SQLITE_OK) throw_sqlite_error(raw, code);
  sqlite3_extended_result_codes(raw, 1);
  const Snapshot snapshot(book.handle());
  copy_pages(book.handle(), raw, progress);
}

void require_sound(const Book& copy) {
  Statement check(copy.handle(), "PRAGMA quick_check(1)");
  if (check.step() && check.text(0) == "ok") return;
  throw Error(Fault::kBook,
              fmt::format("the book is damaged ({}), so the backup was not kept; run 'loadline-db "
                          "check' on it.",
                          check.text(0)));
}

}  // namespace

void backup_book(const Book& book, const std::string& path,
                 const std::function<void(double, double)>& progress) {
  refuse_book(path);
  std::error_code ignored;
  if (fs::exists(path, ignored))
    throw Error(Fault::kInput,
                fmt::format("{} is there already; a backup never replaces a file. Choose another "
                            "name.",
                            path));
  if (const fs::path folder = fs::path(path).parent_path();
      !folder.empty() && !fs::is_directory(folder, ignored))
    throw Error(Fault::kBook, fmt::format("the folder of {} does not exist; make it first.", path));
  const Unfinished unfinished(path + ".part");
  {
    std::error_code left_over;
    fs::remove(unfinished.path(), left_over);
  }
  copy_to(book, unfinished.path(), progress);
  {
    // Closing it folds the log into the file, so that the copy is one file.
    Book copy = Book::open(unfinished.path(), Book::Mode::kWrite);
    close_open_runs(copy, "the backup was made while this run was being recorded");
    require_sound(copy);
  }
  std::error_code fault;
  fs::rename(unfinished.path(), path, fault);
  if (fault)
    throw Error(Fault::kInput, fmt::format("the backup could not be named {} ({}); choose another "
                                           "place.",
                                           path, fault.message()));
}

}  // namespace loadline
