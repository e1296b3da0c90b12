#include "db/basis/progress.h"

#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <cstdio>

namespace loadline {
namespace {

double seconds(std::chrono::steady_clock::duration duration) {
  return std::chrono::duration<double>(duration).count();
}

}  // namespace

Progress::Progress(std::string what, double total)
    : what_(std::move(what)),
      total_(total),
      start_(Clock::now()),
      last_(start_),
      enabled_(total > 0 && isatty(STDERR_FILENO)) {}

Progress::~Progress() {
  if (shown_) std::fputs("\r\033[K", stderr);
}

void Progress::at(double done) {
  if (!enabled_ || done <= 0) return;
  const Clock::time_point now = Clock::now();
  const double elapsed = seconds(now - start_);
  if (elapsed < 1 || (shown_ && seconds(now - last_) < 0.2)) return;
  last_ = now;
  shown_ = true;
  const double left = elapsed * (total_ - done) / done;
  fmt::print(stderr, "\r\033[K{}: {:.0f} %, {:.0f} s left", what_, 100 * done / total_,
             std::ceil(std::max(left, 0.0)));
  std::fflush(stderr);
}

}  // namespace loadline
