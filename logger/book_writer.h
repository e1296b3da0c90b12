// The writing side of a recording: one thread that empties the mailbox into the book, at least
// every quarter of a second, each time in one transaction.
//
// When the book cannot be written (disk full, drive gone, another program holds it) it tries
// again for a while, and the mailbox keeps what comes in the meantime. Then it gives the book up:
// what was committed stays, and the raw bytes from there on go into a fallback capture.
//
// Threads: run() is the body of the writing thread and has the Book to itself; the rest may be
// called from any.
#pragma once

#include <atomic>
#include <optional>

#include "db/basis/mutex.h"
#include "db/book.h"
#include "logger/clock.h"
#include "logger/live_meter.h"
#include "logger/mailbox.h"
#include "logger/raw_capture.h"
#include "logger/zero_watch.h"

namespace loadline {

struct WriterOptions {
  /// How long a book that cannot be written is tried again. The mailbox bridges this time. A writer
  /// stalled for 10 s must cost nothing, and a single try may wait 5 s for another program.
  double book_patience_s = 20;
  /// A fallback is of use only where the bytes are not in a file anyway.
  bool with_fallback = true;
  std::vector<std::uint8_t> introduction;  ///< opening of a fallback capture
  /// Reference for a zero before the run: a mean count further from it than this is a load.
  std::optional<double> usual_zero_counts;
  double usual_zero_tolerance = 0;
};

class BookWriter {
 public:
  /// Of `capture` (may be null) and all references the caller keeps the ownership.
  BookWriter(Clock& clock, Book& book, std::int64_t run, double tick_hz, Mailbox& mailbox,
             LiveMeter& meter, RawCapture* capture, WriterOptions options);

  void run();

  std::uint64_t committed() const { return committed_.load(); }
  /// Empty while all is well; else what is wrong with the book.
  std::string trouble() const;
  /// True when the book was given up.
  bool gave_up() const { return gave_up_.load(); }
  std::vector<std::string> fallback_paths() const;
  /// Bytes of the line that came after the book was given up and found no place at all.
  std::uint64_t lost_bytes() const { return lost_bytes_.load(); }

  // After run() has returned:
  const ZeroWatch& zeros() const {
    writing_.play();
    return zeros_;
  }
  const std::optional<Zero>& zero_before() const {
    writing_.play();
    return zero_before_;
  }
  const std::vector<std::string>& warnings() const {
    writing_.play();
    return warnings_;
  }

 private:
  void write(Batch& batch) REQUIRES(writing_);
  void commit(const Batch& batch) REQUIRES(writing_);
  bool commit_with_patience(const Batch& batch) REQUIRES(writing_);
  bool commit_once(const Batch& batch) REQUIRES(writing_);
  void give_up(const Batch& batch) REQUIRES(writing_);
  void save_raw(const Batch& batch) REQUIRES(writing_);
  void append_to_fallback(std::span<const std::uint8_t> bytes);
  void watch_zeros(const Batch& batch) REQUIRES(writing_);
  std::optional<Zero> new_zero_before() REQUIRES(writing_);
  void remember_tail(const Batch& batch) REQUIRES(writing_);

  Clock& clock_;
  ThreadRole writing_;
  Book& book_ GUARDED_BY(writing_);
  const std::int64_t run_;
  Mailbox& mailbox_;
  LiveMeter& meter_;
  const WriterOptions options_;
  ZeroWatch zeros_ GUARDED_BY(writing_);
  bool zero_judged_ GUARDED_BY(writing_) = false;
  std::optional<Zero> zero_before_ GUARDED_BY(writing_);
  RawCapture* capture_;  // not owned; may be null
  std::vector<std::uint8_t> tail_
      GUARDED_BY(writing_);  // the last raw bytes that are committed: a frame may begin there
  std::vector<std::string> warnings_ GUARDED_BY(writing_);
  std::atomic<std::uint64_t> committed_{0};
  std::atomic<bool> gave_up_{false};
  std::atomic<std::uint64_t> lost_bytes_{0};
  mutable Mutex mutex_;
  std::string trouble_ GUARDED_BY(mutex_);
  std::optional<FallbackCapture> fallback_ GUARDED_BY(mutex_);
};

}  // namespace loadline
