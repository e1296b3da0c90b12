// An open file that closes itself, and the wait that all ports share.
#pragma once

#include <unistd.h>

#include <chrono>
#include <utility>

namespace loadline {

class FileDescriptor {
 public:
  FileDescriptor() = default;
  explicit FileDescriptor(int fd) : fd_(fd) {}
  FileDescriptor(FileDescriptor&& other) noexcept : fd_(std::exchange(other.fd_, -1)) {}
  FileDescriptor& operator=(FileDescriptor&& other) noexcept {
    if (this != &other) reset(std::exchange(other.fd_, -1));
    return *this;
  }
  ~FileDescriptor() { reset(); }
  int get() const { return fd_; }
  bool open() const { return fd_ >= 0; }
  /// Gives it away, open.
  int release() { return std::exchange(fd_, -1); }
  void reset(int fd = -1) {
    if (fd_ >= 0) ::close(fd_);
    fd_ = fd;
  }

 private:
  int fd_ = -1;
};

/// Lets one thread end the wait of another.
class WakeUp {
 public:
  WakeUp();
  void signal();
  /// What happened first.
  struct Ready {
    bool readable = false;  ///< bytes, an end or a hang-up: read() will tell which
    bool woken = false;
  };
  Ready wait(int fd, std::chrono::milliseconds patience);

 private:
  FileDescriptor event_;
};

}  // namespace loadline
