// Ports that are plain streams: pseudo-terminals, pipes, standard input, capture files.
#include <fcntl.h>
#include <fmt/format.h>
#include <poll.h>
#include <sys/stat.h>
#include <termios.h>

#include <cerrno>
#include <cstring>

#include "db/basis/error.h"
#include "logger/line/file_descriptor.h"
#include "logger/line/port.h"
#include "logger/line/port_lock.h"

namespace loadline {
namespace {

using std::chrono::milliseconds;

enum class StreamKind { kTerminal, kPipe, kFile };

StreamKind kind_of(int fd, const std::string& path) {
  struct stat status = {};
  if (::fstat(fd, &status) != 0) cannot_open_port(path, errno);
  if (S_ISREG(status.st_mode)) return StreamKind::kFile;
  if (S_ISFIFO(status.st_mode) || S_ISSOCK(status.st_mode)) return StreamKind::kPipe;
  if (S_ISCHR(status.st_mode) && ::isatty(fd)) return StreamKind::kTerminal;
  throw Error(Fault::kRig,
              fmt::format("'{}' is {}, which is no port; name a serial device, a pseudo-terminal, "
                          "a pipe or a capture file.",
                          path, S_ISDIR(status.st_mode) ? "a folder" : "a device of another sort"));
}

/// Bytes as they are: no echo, no line editing, no translation of line ends.
void make_raw(int fd) {
  termios settings = {};
  if (::tcgetattr(fd, &settings) != 0) return;
  ::cfmakeraw(&settings);
  settings.c_cflag |= CLOCAL | CREAD;
  ::tcsetattr(fd, TCSANOW, &settings);
}

class StreamPort : public Port {
 public:
  explicit StreamPort(std::string path) : path_(std::move(path)) {
    if (const int error = open_now()) cannot_open_port(path_, error);
    kind_ = kind_of(fd_.get(), path_);
    if (kind_ != StreamKind::kFile && path_ != "-") lock_port(fd_.get(), path_);
    if (kind_ == StreamKind::kTerminal) make_raw(fd_.get());
  }

  Got read(std::span<std::uint8_t> into, milliseconds patience) override {
    const auto ready = wake_.wait(fd_.get(), patience);
    if (!ready.readable) return {Outcome::kQuiet};
    const ssize_t size = ::read(fd_.get(), into.data(), into.size());
    if (size > 0) return {Outcome::kBytes, static_cast<std::size_t>(size)};
    if (size < 0 && (errno == EAGAIN || errno == EINTR)) return {Outcome::kQuiet};
    if (kind_ == StreamKind::kTerminal) return {Outcome::kHangUp};
    if (size == 0) return {Outcome::kEnd};
    throw Error(Fault::kRig, fmt::format("port '{}' cannot be read: {}; what was read is kept.",
                                         path_, std::strerror(errno)));
  }

  void write(std::span<const std::uint8_t> bytes) override {
    // A rig that takes no command for a second is no longer listening; read() finds out why.
    for (int tries = 0; two_way() && !bytes.empty() && tries < 10; ++tries) {
      const ssize_t size = ::write(fd_.get(), bytes.data(), bytes.size());
      if (size > 0) bytes = bytes.subspan(static_cast<std::size_t>(size));
      if (size < 0 && errno != EAGAIN && errno != EINTR) return;
      pollfd room = {fd_.get(), POLLOUT, 0};
      if (!bytes.empty()) ::poll(&room, 1, 100);
    }
  }

  bool two_way() const override { return kind_ == StreamKind::kTerminal; }
  bool live() const override { return kind_ == StreamKind::kTerminal; }

  bool reopen() override {
    if (kind_ != StreamKind::kTerminal) return false;
    fd_.reset();
    if (open_now() != 0) return false;
    if (!::isatty(fd_.get()) || !try_lock_port(fd_.get())) return fd_.reset(), false;
    make_raw(fd_.get());
    return true;
  }

  void wake() override { wake_.signal(); }
  const std::string& path() const override { return path_; }

 private:
  /// 0, or the errno. A terminal is opened for both ways, all else for reading.
  int open_now() {
    if (path_ == "-") {
      fd_.reset(::fcntl(STDIN_FILENO, F_DUPFD_CLOEXEC, 3));
      return fd_.open() ? 0 : errno;
    }
    struct stat status = {};
    if (::stat(path_.c_str(), &status) != 0) return errno;
    const int way = S_ISCHR(status.st_mode) ? O_RDWR : O_RDONLY;
    fd_.reset(::open(path_.c_str(), way | O_NOCTTY | O_NONBLOCK | O_CLOEXEC));
    return fd_.open() ? 0 : errno;
  }

  std::string path_;
  FileDescriptor fd_;
  WakeUp wake_;
  StreamKind kind_ = StreamKind::kFile;
};

}  // namespace

void cannot_open_port(const std::string& path, int error) {
  const char* advice = "check the path";
  if (error == ENOENT) advice = "'loadline-logger ports' lists the serial devices of this machine";
  if (error == EACCES)
    advice = "give yourself access (on most systems: become a member of the group dialout)";
  throw Error(Fault::kRig, fmt::format("port '{}' cannot be opened: {}; {}.", path,
                                       std::strerror(error), advice));
}

std::unique_ptr<Port> open_stream(const std::string& path) {
  return std::make_unique<StreamPort>(path);
}

}  // namespace loadline
