// One port, one reader: two programs on one line would share its bytes, and each would lose some.
//
// The lock is flock() on the device itself: it holds against root too, ends with the process
// however that ends, and leaves no file behind. Serial devices are besides closed to every other
// program (TIOCEXCL, which does not stop root). A pseudo-terminal is not: there the mark would
// outlive us.
#pragma once

#include <string>

#include "logger/line/file_descriptor.h"

namespace loadline {

/// Locks the device, pipe or terminal that `fd` has open, until it is closed. Error(kRig) with who
/// holds it when another does.
void lock_port(int fd, const std::string& shown_path);

/// As above, as yes or no: for trying again after a hang-up.
bool try_lock_port(int fd);

/// A serial device locked and closed to others; open as long as this lives.
class SerialLock {
 public:
  SerialLock() = default;
  /// Error(kRig) when the device is held or cannot be opened.
  SerialLock(const std::string& shown_path, const std::string& device);
  SerialLock(SerialLock&&) = default;
  SerialLock& operator=(SerialLock&& other) noexcept;
  ~SerialLock();

 private:
  void release();

  FileDescriptor fd_;
};

}  // namespace loadline
