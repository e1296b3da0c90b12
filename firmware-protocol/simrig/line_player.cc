#include "firmware-protocol/simrig/line_player.h"

#include <algorithm>
#include <chrono>
#include <memory>
#include <thread>

#include "firmware-protocol/simrig/pseudo_terminal.h"

namespace loadline::simrig {
namespace {

using Clock = std::chrono::steady_clock;

constexpr std::size_t kFill = 4096;       ///< bytes ahead of the reader in fast play
constexpr double kLinger_s = 2.0;         ///< after the run, for a reader that says nothing more
constexpr double kUnpluggedReal_s = 0.3;  ///< how long the terminal is gone at least

double seconds_since(Clock::time_point start) {
  return std::chrono::duration<double>(Clock::now() - start).count();
}

class LinePlayer {
 public:
  LinePlayer(PlayedRig& player, const LineOptions& options) : player_(player), options_(options) {
    plug_in();
  }

  LineEnd run() {
    while (true) {
      if (unplug_due()) unplug();
      if (!terminal_->has_reader()) {
        if (player_.over() && drained_once_) return LineEnd::kOver;
        if (seconds_since(last_seen_) > options_.wait_s)
          return player_.run_time_s() < 0.0 ? LineEnd::kNeverStarted : LineEnd::kReaderGone;
        without_reader();
        continue;
      }
      greet_reader();
      listen();
      send();
      if (finished()) return LineEnd::kOver;
      move_on();
    }
  }

 private:
  void plug_in() {
    terminal_ = std::make_unique<PseudoTerminal>(options_.link);
    if (options_.announce) options_.announce(terminal_->path());
    last_seen_ = Clock::now();
  }

  void greet_reader() {
    last_seen_ = Clock::now();
    if (present_) return;
    present_ = true;
    last_heard_ = Clock::now();
  }

  void without_reader() {
    if (present_) terminal_->discard_unread();
    present_ = false;
    pending_.clear();
    player_.arrived();
    if (!options_.fast) move_on();
    if (options_.fast || !moving()) std::this_thread::sleep_for(std::chrono::milliseconds(5));
  }

  void listen() {
    const bool busy = moving() || !pending_.empty();
    const Bytes bytes = terminal_->read(busy ? 0 : 20);
    if (bytes.empty()) return;
    last_heard_ = Clock::now();
    drained_once_ = false;
    player_.receive(bytes.data(), bytes.size());
  }

  void send() {
    const Bytes more = player_.arrived();
    pending_.insert(pending_.end(), more.begin(), more.end());
    if (pending_.empty()) return;
    const std::size_t put = terminal_->write_some(pending_.data(), pending_.size());
    pending_.erase(pending_.begin(), pending_.begin() + static_cast<std::ptrdiff_t>(put));
    if (!pending_.empty() && put == 0) terminal_->wait(5, true);
  }

  /// Whether bench time runs at present.
  bool moving() const {
    if (player_.over()) return false;
    return player_.streaming() || (!options_.fast && player_.switched());
  }

  void move_on() {
    if (!moving()) {
      anchored_ = false;
      return;
    }
    if (options_.fast) {
      while (pending_.size() < kFill && moving() && !unplug_due()) {
        if (!player_.advance()) break;
        const Bytes more = player_.arrived();
        pending_.insert(pending_.end(), more.begin(), more.end());
      }
      return;
    }
    // Bench time that began anew is another run: it is not behind the clock by the last one.
    if (player_.time_s() < moved_to_s_) anchored_ = false;
    moved_to_s_ = player_.time_s();
    if (!anchored_) {
      anchored_ = true;
      anchor_ = Clock::now();
      anchor_s_ = player_.time_s();
    }
    // At most one conversion ahead of the clock, and never so long that a command waits.
    const double ahead = player_.time_s() - anchor_s_ - seconds_since(anchor_);
    if (ahead > 0.0)
      terminal_->wait(static_cast<int>(std::min(20.0, 1.0 + ahead * 1000.0)), false);
    else
      player_.advance();
  }

  /// The run is over, its last bytes were read, and nothing more was said for a while.
  bool finished() {
    if (!player_.over() || !pending_.empty()) {
      over_noted_ = false;
      return false;
    }
    // The linger counts from the end, however long ago the reader spoke: what was written last may
    // still be on its way through the terminal, where unread() does not see it.
    if (!over_noted_) last_heard_ = Clock::now();
    over_noted_ = true;
    if (terminal_->unread() > 0) {
      last_heard_ = Clock::now();
      return false;
    }
    drained_once_ = true;
    return seconds_since(last_heard_) > kLinger_s;
  }

  bool unplug_due() const {
    const double at = player_.scenario().faults.hang_up_at_s;
    return !unplugged_ && at >= 0.0 && player_.run_time_s() >= at;
  }

  void unplug() {
    unplugged_ = true;
    while (!pending_.empty() && terminal_->has_reader()) send();
    // The kernel hands on in portions: empty once is not yet read to the end.
    for (int empty = 0; empty < 5 && terminal_->has_reader();) {
      empty = terminal_->unread() > 0 ? 0 : empty + 1;
      std::this_thread::sleep_for(std::chrono::milliseconds(5));
    }
    terminal_.reset();
    present_ = false;
    const double gone_s = player_.scenario().faults.hang_up_for_s;
    const double back_s = player_.run_time_s() + gone_s;
    std::this_thread::sleep_for(
        std::chrono::duration<double>(options_.fast ? kUnpluggedReal_s : gone_s));
    while (player_.run_time_s() < back_s && player_.advance()) player_.arrived();
    anchored_ = false;
    plug_in();
  }

  PlayedRig& player_;
  LineOptions options_;
  std::unique_ptr<PseudoTerminal> terminal_;
  Bytes pending_;
  Clock::time_point last_seen_, last_heard_, anchor_;
  double anchor_s_ = 0.0, moved_to_s_ = 0.0;
  bool present_ = false, anchored_ = false, unplugged_ = false, drained_once_ = false,
       over_noted_ = false;
};

}  // namespace

LineEnd play_on_line(PlayedRig& rig, const LineOptions& options) {
  return LinePlayer(rig, options).run();
}

}  // namespace loadline::simrig
