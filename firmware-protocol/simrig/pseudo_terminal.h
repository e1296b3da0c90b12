// The rig's end of a pseudo-terminal: what a serial line is to the host, without the hardware.
#pragma once

#include <cstddef>
#include <cstdint>
#include <string>
#include <vector>

namespace loadline::simrig {

class PseudoTerminal {
 public:
  /// Opens a new pair in raw mode; `link` (when not empty) is made a symbolic link to it and
  /// removed again by the destructor. Throws std::runtime_error with one sentence.
  explicit PseudoTerminal(const std::string& link);
  ~PseudoTerminal();
  PseudoTerminal(const PseudoTerminal&) = delete;
  PseudoTerminal& operator=(const PseudoTerminal&) = delete;

  const std::string& path() const { return path_; }
  /// Whether somebody has the other end open.
  bool has_reader() const;
  /// Bytes from the host, waiting at most `timeout_ms` for the first; empty when none came.
  std::vector<std::uint8_t> read(int timeout_ms);
  /// Writes what fits without blocking and returns how much that was.
  std::size_t write_some(const std::uint8_t* bytes, std::size_t size);
  /// Waits until writing is possible or something has come in; false after `timeout_ms`.
  bool wait(int timeout_ms, bool for_writing) const;
  /// Bytes written that the reader has not yet taken.
  std::size_t unread() const;
  /// Throws those away, as a serial port does when it is closed.
  void discard_unread();

 private:
  int master_ = -1;
  std::string path_, link_;
};

}  // namespace loadline::simrig
