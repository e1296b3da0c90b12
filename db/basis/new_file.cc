#include "db/basis/new_file.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <string>

#include "db/basis/error.h"

namespace loadline {
namespace {

namespace fs = std::filesystem;

// The first bytes of every SQLite file (SQLite file format, section 1.3.1).
constexpr std::string_view kSqlite = "SQLite format 3";

// So begin the files that SQLite keeps beside it: the write-ahead log (section 4.1; its last byte
// tells the order of bytes), the rollback journal (section 3), and the log's index on this kind of
// machine (its version 3,007,000 as a number, "WAL-Index Format").
constexpr std::array<std::string_view, 4> kBesides = {"\x37\x7f\x06\x82", "\x37\x7f\x06\x83",
                                                      "\xd9\xd5\x05\xf9\x20\xa1\x63\xd7",
                                                      std::string_view("\x18\xe2\x2d\x00", 4)};
constexpr std::array<std::string_view, 3> kEndings = {"-wal", "-shm", "-journal"};

bool begins_with(const fs::path& path, std::string_view wanted) {
  std::error_code ignored;
  if (!fs::is_regular_file(path, ignored)) return false;
  std::string begins(wanted.size(), '\0');
  std::ifstream file(path, std::ios::binary);
  file.read(begins.data(), static_cast<std::streamsize>(begins.size()));
  return file && begins == wanted;
}

bool is_sqlite(const fs::path& path) { return begins_with(path, kSqlite); }

/// The book whose log, index or journal would be at `path`; empty when there is none.
fs::path book_of(const fs::path& path) {
  const std::string name = path.string();
  for (const std::string_view ending : kEndings) {
    if (!name.ends_with(ending)) continue;
    fs::path book = name.substr(0, name.size() - ending.size());
    if (is_sqlite(book)) return book;
  }
  return {};
}

/// `path` with every link at its end followed, also one that leads to no file yet.
fs::path end_of_links(fs::path path) {
  std::error_code fault;
  for (int n = 0; n < 40; ++n) {
    const fs::path target = fs::read_symlink(path, fault);
    if (fault) break;
    path = target.is_absolute() ? target : path.parent_path() / target;
  }
  return path;
}

/// Another name of a file that is nothing by its content yet: a log before its first commit.
bool is_besides_by_another_name(const fs::path& path) {
  std::error_code fault;
  if (fs::hard_link_count(path, fault) < 2 || fault) return false;
  for (const auto& entry : fs::directory_iterator(fs::absolute(path).parent_path(), fault))
    if (!book_of(entry.path()).empty() && fs::equivalent(entry.path(), path, fault)) return true;
  return false;
}

// Where it is written until it is whole.
fs::path place_beside(const fs::path& path) {
  std::error_code ignored;
  const fs::file_status there = fs::symlink_status(path, ignored);
  const bool ordinary = !fs::exists(there) || fs::is_regular_file(there);
  return ordinary ? fs::path(path.string() + ".part") : path;
}

}  // namespace

void refuse_beside_a_book(const fs::path& path) {
  const fs::path real = end_of_links(path);
  const auto begins = [&](std::string_view bytes) { return begins_with(real, bytes); };
  if (!book_of(path).empty() || !book_of(real).empty() || is_besides_by_another_name(real) ||
      std::any_of(kBesides.begin(), kBesides.end(), begins))
    throw Error(Fault::kInput,
                fmt::format("{} belongs to a book, which keeps there what it has not taken in yet, "
                            "and is not written over; choose another name.",
                            path.string()));
}

void refuse_book(const fs::path& path) {
  if (is_sqlite(path))
    throw Error(
        Fault::kInput,
        fmt::format("{} is a book and is not written over; choose another name.", path.string()));
  refuse_beside_a_book(path);
}

NewFile::NewFile(fs::path path) : path_(std::move(path)), written_(place_beside(path_)) {
  refuse_book(path_);
  if (written_ != path_) {
    refuse_book(written_);
    std::error_code ignored;
    fs::remove(written_, ignored);  // a link that stood there would be written through
  }
  stream_.open(written_, std::ios::binary | std::ios::trunc);
  if (!stream_)
    throw Error(Fault::kInput,
                fmt::format("{} cannot be written; see that its folder exists and is yours to "
                            "write to.",
                            path_.string()));
}

NewFile::~NewFile() {
  stream_.close();
  std::error_code ignored;
  if (written_ != path_) fs::remove(written_, ignored);
}

void NewFile::keep() {
  stream_.close();
  std::error_code fault;
  if (stream_ && written_ != path_) fs::rename(written_, path_, fault);
  if (!stream_ || fault)
    throw Error(Fault::kInput,
                fmt::format("{} could not be written in full; is the disk full?", path_.string()));
}

void write_file(const fs::path& path, std::string_view content) {
  NewFile file(path);
  file.stream().write(content.data(), static_cast<std::streamsize>(content.size()));
  file.keep();
}

}  // namespace loadline
