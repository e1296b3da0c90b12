// Plays a rig on a pseudo-terminal, in real time or as fast as the reader takes it.
#pragma once

#include <functional>
#include <string>

#include "firmware-protocol/simrig/played_rig.h"

namespace loadline::simrig {

struct LineOptions {
  std::string link;      ///< path to link to the pseudo-terminal; empty = none
  bool fast = false;     ///< as fast as the reader takes it; bench time stands while not streaming
  double wait_s = 60.0;  ///< for a start, and for a reader that has gone
  std::function<void(const std::string&)> announce;  ///< called once with the terminal's path
};

enum class LineEnd { kOver, kNeverStarted, kReaderGone };

/// Returns when the run is over and has been read, or as LineEnd says. Throws std::runtime_error
/// when no pseudo-terminal can be had or the link cannot be made. The link is removed at the end.
LineEnd play_on_line(PlayedRig& rig, const LineOptions& options);

}  // namespace loadline::simrig
