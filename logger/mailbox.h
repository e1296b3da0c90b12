// What passes from the thread that reads the line to the thread that writes the book.
//
// Two boxes change places: the reader fills one while the writer empties the other, so neither
// waits for the other's work and memory does not grow with the run. A writer that stalls costs
// nothing until the box is full; then the reader waits, and the port's own buffer is next.
//
// Threads: put() from one thread, take() from one other, the rest from any.
#pragma once

#include <chrono>
#include <span>

#include "db/basis/mutex.h"
#include "logger/line/line_reader.h"

namespace loadline {

struct Batch {
  Haul haul;
  std::vector<std::uint8_t> raw;  ///< the bytes that it was read from

  bool empty() const { return haul.empty() && raw.empty(); }
  void clear();
};

class Mailbox {
 public:
  /// put() waits while this many samples are in the box.
  explicit Mailbox(std::size_t most_samples) : most_samples_(most_samples) {}

  /// Appends. `haul` is emptied.
  void put(Haul& haul, std::span<const std::uint8_t> raw);
  /// Waits until `patience` is over, the box holds samples worth a transaction (half of
  /// what it may, or some thousands) or is closed, then swaps its content into
  /// `into` (which must be empty). False when the box is closed and nothing is left.
  bool take(Batch& into, std::chrono::milliseconds patience);
  /// Nothing more will be put; take() stops waiting.
  void close();
  /// The writer has given up: put() drops what it gets from now on, and never waits.
  void abandon();

 private:
  bool worth_writing() const REQUIRES(mutex_);
  std::size_t samples() const REQUIRES(mutex_) {
    return box_.haul.samples.size() + box_.haul.readings.size();
  }

  const std::size_t most_samples_;
  Mutex mutex_;
  Condition changed_;
  Batch box_ GUARDED_BY(mutex_);
  bool closed_ GUARDED_BY(mutex_) = false;
  bool abandoned_ GUARDED_BY(mutex_) = false;
};

}  // namespace loadline
