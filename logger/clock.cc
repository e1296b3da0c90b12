#include "logger/clock.h"

#include <fmt/chrono.h>

#include <ctime>
#include <thread>

namespace loadline {
namespace {

std::string utc_text(std::time_t seconds) {
  return fmt::format("{:%Y-%m-%dT%H:%M:%SZ}", fmt::gmtime(seconds));
}

}  // namespace

std::chrono::nanoseconds SystemClock::now() const {
  return std::chrono::duration_cast<std::chrono::nanoseconds>(
      std::chrono::steady_clock::now().time_since_epoch());
}

std::string SystemClock::utc() const { return utc_text(std::time(nullptr)); }

void SystemClock::sleep_for(std::chrono::nanoseconds span) { std::this_thread::sleep_for(span); }

std::string SimulatedClock::utc() const {
  constexpr std::time_t kSomeEvening = 1'764'093'600;  // 2025-11-25T18:00:00Z
  return utc_text(kSomeEvening + std::chrono::duration_cast<std::chrono::seconds>(now()).count());
}

}  // namespace loadline
