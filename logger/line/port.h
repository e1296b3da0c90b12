// Where the rig's bytes come from, behind one face: a serial device (through libserialport), a
// pseudo-terminal, a pipe, standard input or a capture file.
//
// Threads: read() belongs to one thread, write() to one (the same or another) and wake() to any.
// Errors: Error(kRig) with a sentence that names the path and says what to do.
#pragma once

#include <chrono>
#include <cstdint>
#include <memory>
#include <span>
#include <string>
#include <vector>

namespace loadline {

class Port {
 public:
  enum class Outcome {
    kBytes,   ///< `size` bytes were read
    kQuiet,   ///< nothing came within the time given, or wake() was called
    kEnd,     ///< a file or pipe is read to its end; nothing more will come
    kHangUp,  ///< the device is gone (unplugged, rig's program ended); reopen() may bring it back
  };
  struct Got {
    Outcome outcome;
    std::size_t size = 0;
  };

  virtual ~Port() = default;
  /// Waits at most `patience` for the first byte, then takes what is there.
  virtual Got read(std::span<std::uint8_t> into, std::chrono::milliseconds patience) = 0;
  /// Sends a command to the rig. Nothing happens on a port that is not two_way().
  virtual void write(std::span<const std::uint8_t> bytes) = 0;
  /// True where a rig can answer; false for files and pipes, which only tell.
  virtual bool two_way() const = 0;
  /// True where bytes come when they will and are lost unless they are taken in time.
  virtual bool live() const = 0;
  /// Tries once to open the same path again after kHangUp; false while it is not back.
  virtual bool reopen() = 0;
  /// Makes a read() that waits in another thread return kQuiet soon.
  virtual void wake() = 0;
  /// The path as the person gave it.
  virtual const std::string& path() const = 0;
};

struct PortOptions {
  /// Of serial devices only. 115,200 is what the hobby boards' bootloaders and the rig's firmware
  /// use.
  int baud = 115'200;
};

/// Opens `path`. "-" is standard input; "serial:PATH" insists on libserialport whatever PATH is.
std::unique_ptr<Port> open_port(const std::string& path, const PortOptions& options = {});

/// Error(kRig) when there is nothing at `path`. A look only: nothing is opened, so that a rig does
/// not reset and a pipe does not lose its writer.
void expect_port(const std::string& path);

/// What an operating system tells of one serial device.
struct SerialDevice {
  std::string path;         ///< "/dev/ttyUSB0"
  std::string description;  ///< may be empty
  std::string transport;    ///< "USB", "Bluetooth" or "built in"
  std::string usb;          ///< "vendor 1a86 product 7523", empty when it is not on USB
};
std::vector<SerialDevice> serial_devices();

/// Error(kRig): the sentence for a path that cannot be opened, `error` being an errno.
[[noreturn]] void cannot_open_port(const std::string& path, int error);

/// The part of open_port that does not go through libserialport; exposed for port.cc.
std::unique_ptr<Port> open_stream(const std::string& path);
std::unique_ptr<Port> open_serial(const std::string& shown_path, const std::string& device,
                                  const PortOptions& options);

}  // namespace loadline
