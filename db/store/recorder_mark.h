// Who is recording a run, so that a later opening can tell a recorder at work from a dead one.
//
// The mark names the process (boot of the machine, process id, its start time) and the Book in it.
// No lock file is left behind, and the mark of a dead process can never come alive again: process
// ids are reused, but not together with their start time and boot.
#pragma once

#include <string>

namespace loadline {

/// A mark that is alive as long as this object lives in this process. Thread-safe.
class RecorderMark {
 public:
  RecorderMark();
  ~RecorderMark();
  RecorderMark(const RecorderMark&) = delete;
  RecorderMark& operator=(const RecorderMark&) = delete;

  const std::string& text() const { return text_; }

 private:
  std::string text_;
};

/// Whether the recorder that wrote `mark` still runs on this machine.
bool recorder_is_alive(const std::string& mark);

}  // namespace loadline
