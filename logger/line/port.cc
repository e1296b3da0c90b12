#include "logger/line/port.h"

#include <fmt/format.h>
#include <sys/stat.h>

#include <cerrno>
#include <climits>
#include <cstdlib>
#include <string_view>

#include "db/basis/error.h"

namespace loadline {
namespace {

/// The device behind links such as /dev/serial/by-id/…, which libserialport does not follow.
std::string resolved(const std::string& path) {
  char real[PATH_MAX];
  return ::realpath(path.c_str(), real) ? real : path;
}

bool is_serial_device(const std::string& path) {
  struct stat status = {};
  if (::stat(path.c_str(), &status) != 0 || !S_ISCHR(status.st_mode)) return false;
  const std::string device = resolved(path);
  return device.starts_with("/dev/tty") && device != "/dev/tty";
}

constexpr std::string_view kSerialPrefix = "serial:";

}  // namespace

void expect_port(const std::string& path) {
  const bool serial = path.starts_with(kSerialPrefix);
  const std::string device = serial ? path.substr(kSerialPrefix.size()) : path;
  struct stat status = {};
  if (device.empty() || device == "-" || ::stat(device.c_str(), &status) == 0) return;
  cannot_open_port(path, errno);
}

std::unique_ptr<Port> open_port(const std::string& path, const PortOptions& options) {
  if (path.empty())
    throw Error(Fault::kRig,
                "--port is empty; name a device, a pipe or a capture file ('loadline-logger "
                "ports' lists the devices).");
  if (path.starts_with(kSerialPrefix))
    return open_serial(path, path.substr(kSerialPrefix.size()), options);
  if (is_serial_device(path)) return open_serial(path, path, options);
  return open_stream(path);
}

}  // namespace loadline
