// A rig that can be played on a line, whatever is behind it: the simulated board, or the real
// firmware on an emulated microcontroller.
#pragma once

#include <cstddef>
#include <cstdint>

#include "firmware-protocol/simrig/board.h"
#include "firmware-protocol/simrig/scenario.h"

namespace loadline::simrig {

class PlayedRig {
 public:
  virtual ~PlayedRig() = default;
  /// Bytes from the host.
  virtual void receive(const std::uint8_t* bytes, std::size_t size) = 0;
  /// Moves on to the next conversion; false when the run is over.
  virtual bool advance() = 0;
  /// What has arrived at the host's end since the last call.
  virtual Bytes arrived() = 0;
  virtual bool streaming() const = 0;
  virtual bool over() const = 0;
  virtual bool switched() const = 0;
  /// Bench time, and bench time since the first start command (negative before it).
  virtual double time_s() const = 0;
  virtual double run_time_s() const = 0;
  virtual const Scenario& scenario() const = 0;
};

}  // namespace loadline::simrig
