#include "logger/line/port_lock.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/file.h>
#include <sys/ioctl.h>
#include <sys/stat.h>
#include <sys/sysmacros.h>

#include <cerrno>
#include <fstream>
#include <sstream>

#include "db/basis/error.h"
#include "logger/line/port.h"

namespace loadline {
namespace {

/// The process that holds a lock on this file, by the list in /proc/locks (proc(5)); 0: not known.
long holder_of(const struct stat& file) {
  const std::string wanted =
      fmt::format("{:02x}:{:02x}:{}", major(file.st_dev), minor(file.st_dev), file.st_ino);
  std::ifstream list("/proc/locks");
  for (std::string line; std::getline(list, line);) {
    std::istringstream words(line);
    std::string number, kind, manner, access, where;
    long pid = 0;
    if (words >> number >> kind >> manner >> access >> pid >> where && where == wanted) return pid;
  }
  return 0;
}

std::string name_of(long pid) {
  std::ifstream file(fmt::format("/proc/{}/comm", pid));
  std::string name;
  std::getline(file, name);
  return name;
}

[[noreturn]] void refuse(const std::string& shown_path, const struct stat& file) {
  const long pid = holder_of(file);
  std::string holder = "another program";
  if (pid > 0) holder = fmt::format("process {} ({})", pid, name_of(pid));
  throw Error(Fault::kRig, fmt::format("port '{}' is in use by {}, and a port has one reader; end "
                                       "that first.",
                                       shown_path, holder));
}

}  // namespace

bool try_lock_port(int fd) {
  // Where locks are not to be had at all, nobody else has one either.
  return ::flock(fd, LOCK_EX | LOCK_NB) == 0 || errno != EWOULDBLOCK;
}

void lock_port(int fd, const std::string& shown_path) {
  if (try_lock_port(fd)) return;
  struct stat file = {};
  ::fstat(fd, &file);
  refuse(shown_path, file);
}

SerialLock::SerialLock(const std::string& shown_path, const std::string& device)
    : fd_(::open(device.c_str(), O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC)) {
  if (!fd_.open()) {
    const int error = errno;
    struct stat file = {};
    if (error == EBUSY && ::stat(device.c_str(), &file) == 0) refuse(shown_path, file);
    cannot_open_port(shown_path, error);
  }
  lock_port(fd_.get(), shown_path);
  ::ioctl(fd_.get(), TIOCEXCL);
}

SerialLock& SerialLock::operator=(SerialLock&& other) noexcept {
  release();
  fd_ = std::move(other.fd_);
  return *this;
}

SerialLock::~SerialLock() { release(); }

void SerialLock::release() {
  if (fd_.open()) ::ioctl(fd_.get(), TIOCNXCL);
  fd_.reset();
}

}  // namespace loadline
