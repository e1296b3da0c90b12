#include "logger/raw_capture.h"

#include <fcntl.h>
#include <fmt/format.h>

#include <cerrno>
#include <cstdlib>
#include <cstring>

#include "db/basis/error.h"
#include "db/basis/new_file.h"

namespace loadline {
namespace {

int create(const std::string& path) {
  return ::open(path.c_str(), O_WRONLY | O_CREAT | O_EXCL | O_CLOEXEC, 0644);
}

/// Bytes written before the first failure; errno tells of that.
std::size_t write_all(int fd, std::span<const std::uint8_t> bytes) {
  std::size_t done = 0;
  while (done < bytes.size()) {
    const ssize_t size = ::write(fd, bytes.data() + done, bytes.size() - done);
    if (size < 0 && errno == EINTR) continue;
    if (size <= 0) break;
    done += static_cast<std::size_t>(size);
  }
  return done;
}

}  // namespace

RawCapture::RawCapture(std::string path) : path_(std::move(path)) {
  refuse_book(path_);
  file_.reset(create(path_));
  if (file_.open()) return;
  throw Error(Fault::kInput,
              fmt::format("the capture '{}' cannot be made: {}; choose another name.", path_,
                          errno == EEXIST ? "a file of this name exists" : std::strerror(errno)));
}

bool RawCapture::append(std::span<const std::uint8_t> bytes) {
  if (!why_.empty()) return false;
  if (write_all(file_.get(), bytes) == bytes.size()) return true;
  why_ = std::strerror(errno);
  return false;
}

FallbackCapture::FallbackCapture(std::string stem, std::vector<std::uint8_t> opening,
                                 std::vector<std::string> folders)
    : stem_(std::move(stem)), opening_(std::move(opening)), folders_(std::move(folders)) {}

std::vector<std::string> FallbackCapture::usual_folders() {
  std::vector<std::string> folders;
  for (const char* name : {"TMPDIR", "XDG_STATE_HOME", "HOME"}) {
    const char* folder = std::getenv(name);
    if (folder && *folder) folders.emplace_back(folder);
  }
  for (const char* folder : {"/var/tmp", "/tmp", "/dev/shm"}) folders.emplace_back(folder);
  return folders;
}

bool FallbackCapture::open_next() {
  // A file-size limit ends a part, not a folder, so the same folder is tried once more unless the
  // part that was begun there took nothing.
  constexpr int kMostPartsInFolder = 100;
  while (next_folder_ < folders_.size()) {
    const std::string path =
        fmt::format("{}/{}-{}.capture", folders_[next_folder_], stem_, paths_.size() + 1);
    if (parts_in_folder_ < kMostPartsInFolder) {
      file_.reset(create(path));
      ++parts_in_folder_;
      if (file_.open() && write_all(file_.get(), opening_) == opening_.size()) {
        paths_.push_back(path);
        return true;
      }
      if (file_.open()) ::unlink(path.c_str());
    }
    file_.reset();
    ++next_folder_;
    parts_in_folder_ = 0;
  }
  return false;
}

bool FallbackCapture::append(std::span<const std::uint8_t> bytes) {
  while (!bytes.empty()) {
    if (!file_.open() && !open_next()) return false;
    const std::size_t done = write_all(file_.get(), bytes);
    bytes = bytes.subspan(done);
    if (bytes.empty()) break;
    if (done == 0) parts_in_folder_ = 1'000;  // nothing more fits here: the next folder
    file_.reset();
  }
  return true;
}

}  // namespace loadline
