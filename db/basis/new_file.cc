#include "db/basis/new_file.h"

#include <fmt/format.h>

#include <array>

#include "db/basis/error.h"

namespace loadline {
namespace {

namespace fs = std::filesystem;

// The first bytes of every SQLite file (SQLite file format, section 1.3.1).
constexpr std::string_view kSqlite = "SQLite format 3";

bool is_sqlite(const fs::path& path) {
  std::error_code ignored;
  if (!fs::is_regular_file(path, ignored)) return false;
  std::array<char, kSqlite.size()> begins{};
  std::ifstream file(path, std::ios::binary);
  file.read(begins.data(), begins.size());
  return file && std::string_view(begins.data(), begins.size()) == kSqlite;
}

// Where it is written until it is whole.
fs::path place_beside(const fs::path& path) {
  std::error_code ignored;
  const fs::file_status there = fs::symlink_status(path, ignored);
  const bool ordinary = !fs::exists(there) || fs::is_regular_file(there);
  return ordinary ? fs::path(path.string() + ".part") : path;
}

}  // namespace

NewFile::NewFile(fs::path path) : path_(std::move(path)), written_(place_beside(path_)) {
  if (is_sqlite(path_))
    throw Error(
        Fault::kInput,
        fmt::format("{} is a book and is not written over; choose another name.", path_.string()));
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
