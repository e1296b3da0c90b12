#include "firmware-protocol/simrig/pseudo_terminal.h"

#include <fcntl.h>
#include <poll.h>
#include <sys/ioctl.h>
#include <termios.h>
#include <unistd.h>

#include <cerrno>
#include <cstdlib>
#include <cstring>
#include <stdexcept>

namespace loadline::simrig {
namespace {

int open_host_end(const std::string& path) {
  return ::open(path.c_str(), O_RDWR | O_NOCTTY | O_NONBLOCK | O_CLOEXEC);
}

/// Sets the pair raw. Closing the host's end again makes "nobody there" visible as a hang-up.
void make_raw(const std::string& path) {
  const int fd = open_host_end(path);
  if (fd < 0) throw std::runtime_error(path + " cannot be opened: " + std::strerror(errno) + ".");
  termios settings{};
  if (tcgetattr(fd, &settings) == 0) {
    cfmakeraw(&settings);
    tcsetattr(fd, TCSANOW, &settings);
  }
  ::close(fd);
}

void make_link(const std::string& target, const std::string& link) {
  char there[8];
  // Only a link is replaced; a file of somebody's is not.
  if (::readlink(link.c_str(), there, sizeof there) >= 0) ::unlink(link.c_str());
  if (::symlink(target.c_str(), link.c_str()) != 0)
    throw std::runtime_error(link + " cannot be made a link to " + target + " (" +
                             std::strerror(errno) + "); give --link a path that does not exist.");
}

}  // namespace

PseudoTerminal::PseudoTerminal(const std::string& link) : link_(link) {
  master_ = ::posix_openpt(O_RDWR | O_NOCTTY | O_CLOEXEC);
  char name[128];
  if (master_ < 0 || ::grantpt(master_) != 0 || ::unlockpt(master_) != 0 ||
      ::ptsname_r(master_, name, sizeof name) != 0) {
    const std::string reason = std::strerror(errno);
    if (master_ >= 0) ::close(master_);
    throw std::runtime_error("no pseudo-terminal can be opened (" + reason +
                             "); check that /dev/pts is mounted.");
  }
  path_ = name;
  try {
    ::fcntl(master_, F_SETFL, ::fcntl(master_, F_GETFL) | O_NONBLOCK);
    make_raw(path_);
    if (!link_.empty()) make_link(path_, link_);
  } catch (...) {
    ::close(master_);
    throw;
  }
}

PseudoTerminal::~PseudoTerminal() {
  if (!link_.empty()) ::unlink(link_.c_str());
  ::close(master_);
}

bool PseudoTerminal::has_reader() const {
  pollfd p{master_, POLLIN, 0};
  ::poll(&p, 1, 0);
  return (p.revents & POLLHUP) == 0;
}

bool PseudoTerminal::wait(int timeout_ms, bool for_writing) const {
  pollfd p{master_, static_cast<short>(for_writing ? POLLIN | POLLOUT : POLLIN), 0};
  return ::poll(&p, 1, timeout_ms) > 0;
}

std::vector<std::uint8_t> PseudoTerminal::read(int timeout_ms) {
  std::vector<std::uint8_t> bytes(512);
  if (!wait(timeout_ms, false)) return {};
  const ssize_t got = ::read(master_, bytes.data(), bytes.size());
  bytes.resize(got > 0 ? static_cast<std::size_t>(got) : 0);
  return bytes;
}

std::size_t PseudoTerminal::write_some(const std::uint8_t* bytes, std::size_t size) {
  const ssize_t put = ::write(master_, bytes, size);
  return put > 0 ? static_cast<std::size_t>(put) : 0;
}

std::size_t PseudoTerminal::unread() const {
  const int fd = open_host_end(path_);
  if (fd < 0) return 0;
  int size = 0;
  if (::ioctl(fd, FIONREAD, &size) != 0) size = 0;
  ::close(fd);
  return static_cast<std::size_t>(size);
}

void PseudoTerminal::discard_unread() {
  const int fd = open_host_end(path_);
  if (fd < 0) return;
  ::tcflush(fd, TCIFLUSH);
  ::close(fd);
}

}  // namespace loadline::simrig
