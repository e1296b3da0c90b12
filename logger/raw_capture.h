// The raw bytes of the line in a file, so that a run can be read again from what really came.
//
// A capture is nothing but the bytes; it begins with the rig's introduction, so that
// `record KIND --port FILE` understands it.
#pragma once

#include <cstdint>
#include <span>
#include <string>
#include <vector>

#include "logger/line/file_descriptor.h"

namespace loadline {

/// A capture in a place that was asked for.
class RawCapture {
 public:
  /// Error(kInput) when `path` exists (a capture is never overwritten) or cannot be made.
  explicit RawCapture(std::string path);
  /// False from the first failure on; why() then tells.
  bool append(std::span<const std::uint8_t> bytes);
  const std::string& path() const { return path_; }
  const std::string& why() const { return why_; }

 private:
  std::string path_;
  FileDescriptor file_;
  std::string why_;
};

/// A capture for the case that the book cannot be written: it finds a place by itself, and goes on
/// in another place when that one is full too.
class FallbackCapture {
 public:
  /// `opening` (the rig's introduction) begins every part. `folders` are tried in order.
  FallbackCapture(std::string stem, std::vector<std::uint8_t> opening,
                  std::vector<std::string> folders = usual_folders());
  /// False when no folder takes bytes any more.
  bool append(std::span<const std::uint8_t> bytes);
  /// The parts so far, in order.
  const std::vector<std::string>& paths() const { return paths_; }

  /// $TMPDIR, $XDG_STATE_HOME, $HOME, /var/tmp, /tmp, /dev/shm: those that are set.
  static std::vector<std::string> usual_folders();

 private:
  bool open_next();

  std::string stem_;
  std::vector<std::uint8_t> opening_;
  std::vector<std::string> folders_;
  std::size_t next_folder_ = 0;
  int parts_in_folder_ = 0;
  std::vector<std::string> paths_;
  FileDescriptor file_;
};

}  // namespace loadline
