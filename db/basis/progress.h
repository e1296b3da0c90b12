// "import: 42 %, 12 s left" on a terminal, for work that takes more than a second; silent
// otherwise.
#pragma once

#include <chrono>
#include <string>

namespace loadline {

/// Reports how far a piece of work has come. Not thread-safe.
class Progress {
 public:
  /// `total` in any unit (bytes, rows); 0 when it is not known, then nothing is shown.
  Progress(std::string what, double total);
  ~Progress();  ///< wipes the line
  Progress(const Progress&) = delete;
  Progress& operator=(const Progress&) = delete;

  /// Cheap enough to be called for every block of rows.
  void at(double done);

 private:
  using Clock = std::chrono::steady_clock;
  std::string what_;
  double total_;
  Clock::time_point start_, last_;
  bool shown_ = false;
  bool enabled_;
};

}  // namespace loadline
