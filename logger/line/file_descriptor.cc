#include "logger/line/file_descriptor.h"

#include <poll.h>
#include <sys/eventfd.h>

#include <cerrno>
#include <cstdint>

#include "db/basis/error.h"

namespace loadline {

WakeUp::WakeUp() : event_(::eventfd(0, EFD_CLOEXEC | EFD_NONBLOCK)) {
  if (!event_.open())
    throw Error(Fault::kRig, "the operating system gives no more open files; close programs.");
}

void WakeUp::signal() {
  const std::uint64_t one = 1;
  [[maybe_unused]] const auto written = ::write(event_.get(), &one, sizeof one);
}

WakeUp::Ready WakeUp::wait(int fd, std::chrono::milliseconds patience) {
  pollfd watched[2] = {{event_.get(), POLLIN, 0}, {fd, POLLIN, 0}};
  const int count = ::poll(watched, 2, static_cast<int>(patience.count()));
  Ready ready;
  if (count <= 0) return ready;  // patience is over, or a signal came: both mean "look around"
  ready.woken = watched[0].revents != 0;
  ready.readable = watched[1].revents != 0;
  if (ready.woken) {
    std::uint64_t count_of_signals = 0;
    [[maybe_unused]] const auto got =
        ::read(event_.get(), &count_of_signals, sizeof count_of_signals);
  }
  return ready;
}

}  // namespace loadline
