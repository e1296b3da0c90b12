#include "logger/console.h"

#include <fmt/format.h>
#include <poll.h>
#include <unistd.h>

#include <atomic>
#include <cmath>
#include <csignal>
#include <iostream>

namespace loadline {
namespace {

std::atomic<bool> g_stop_asked{false};

void ask_stop(int) { g_stop_asked.store(true); }

void handle(int signal, void (*handler)(int)) {
  struct sigaction action = {};
  action.sa_handler = handler;
  sigemptyset(&action.sa_mask);
  ::sigaction(signal, &action, nullptr);
}

std::string quantity(const std::optional<double>& value, const char* format, const char* unit) {
  return value ? fmt::format(fmt::runtime(format), *value) + " " + unit : std::string("– ") + unit;
}

/// 8210.4 → "8,210"
std::string grouped(double value) {
  std::string digits = fmt::format("{:.0f}", value);
  for (auto at = static_cast<std::ptrdiff_t>(digits.size()) - 3; at > (value < 0 ? 1 : 0); at -= 3)
    digits.insert(static_cast<std::size_t>(at), ",");
  return digits;
}

/// What a hand must do now, told by its marks as well as by its words: colours and a bell do not
/// reach everybody. Empty while nothing is urgent.
std::string urgent_words(const RecordingView& view) {
  const auto& speed = view.speed_alarm;
  const auto of_limit = [&] {
    return fmt::format("{} {} OF {} RPM", speed->of == "machine" ? "HAND WHEEL" : "MOTOR",
                       grouped(speed->rpm), grouped(speed->limit_rpm));
  };
  if (view.standstill_too_long) return "[!!!] HELD TOO LONG: RELEASE OR SWITCH OFF";
  if (speed && speed->over) return "[!!!] OVER THE LIMIT, SWITCH OFF: " + of_limit();
  if (view.standstill_left_s && view.standstill_s > 0)
    return fmt::format("[!] HELD: {:.1f} S LEFT", *view.standstill_left_s);
  if (speed) return "[!] NEAR THE LIMIT: " + of_limit();
  return "";
}

/// Said once as a line of its own, which stays when the live line has moved on.
std::string urgent_sentence(const RecordingView& view) {
  const auto& speed = view.speed_alarm;
  if (view.standstill_too_long)
    return "The motor is held at standstill under voltage and heats up within seconds: release the "
           "brake or switch off.";
  if (!speed || !speed->over) return "";
  return fmt::format("Faster than the limit of {} '{}', {} rpm: switch off.", speed->of,
                     speed->name, grouped(speed->limit_rpm));
}

bool input_waits() {
  pollfd input = {STDIN_FILENO, POLLIN, 0};
  return ::poll(&input, 1, 0) > 0;
}

}  // namespace

SignalWatch::SignalWatch() {
  g_stop_asked.store(false);
  for (const int signal : {SIGINT, SIGTERM, SIGHUP}) handle(signal, ask_stop);
  for (const int signal : {SIGXFSZ, SIGPIPE}) handle(signal, SIG_IGN);
}

SignalWatch::~SignalWatch() {
  for (const int signal : {SIGINT, SIGTERM, SIGHUP}) handle(signal, SIG_DFL);
}

bool SignalWatch::stop_asked() { return g_stop_asked.load(); }

bool at_terminal() { return ::isatty(STDIN_FILENO) && ::isatty(STDERR_FILENO); }

bool ask_yes(const std::string& question) {
  std::cerr << question << " [Y/n] " << std::flush;
  std::string answer;
  if (!std::getline(std::cin, answer)) return false;
  return answer.empty() || answer[0] == 'y' || answer[0] == 'Y';
}

bool wait_for_enter(const std::string& prompt) {
  std::cerr << prompt << std::flush;
  std::string answer;
  return std::getline(std::cin, answer) && answer.empty();
}

std::string live_line(const RecordingView& view) {
  const LiveReading& now = view.reading;
  const std::string urgent = urgent_words(view);
  std::string line = urgent.empty() ? "" : urgent + "   ";
  line += fmt::format("{:6.1f} s", now.elapsed_s);
  const auto speed = [](const std::optional<double>& rpm) {
    return rpm ? grouped(*rpm) + " rpm" : std::string("– rpm");
  };
  if (now.motor_rpm || !now.handwheel_rpm) line += "   " + speed(now.motor_rpm);
  if (now.handwheel_rpm) line += "   hand wheel " + speed(now.handwheel_rpm);
  line += "   " + (now.torque_nm || !now.torque_counts ? quantity(now.torque_nm, "{:.3f}", "N·m")
                                                       : grouped(*now.torque_counts) + " counts");
  if (!urgent.empty()) return line;
  line += "   " + quantity(now.power_w(), "{:.1f}", "W");
  line += "   " + grouped(static_cast<double>(view.counts.samples)) + " samples   " +
          grouped(static_cast<double>(view.counts.lost)) + " lost";
  if (view.counts.damaged + view.counts.implausible > 0)
    line += fmt::format("   {} damaged", view.counts.damaged + view.counts.implausible);
  if (view.switch_on_in_s)
    line += *view.switch_on_in_s > 0 ? fmt::format("   switch on in {:.0f} s", *view.switch_on_in_s)
                                     : std::string("   SWITCH ON NOW");
  if (view.slip_left_s)
    line += *view.slip_left_s > 0 ? fmt::format("   {:.1f} s left", *view.slip_left_s)
                                  : std::string("   SWITCH OFF NOW");
  if (view.waiting_for_replug) line += "   UNPLUGGED, WAITING";
  if (!view.book_trouble.empty()) line += "   BOOK CANNOT BE WRITTEN";
  return line;
}

ConsoleAttendant::ConsoleAttendant(const ConsoleOptions& options)
    : options_(options), terminal_(::isatty(STDERR_FILENO) != 0) {
  if (!::isatty(STDIN_FILENO)) options_.keys = false;
}

ConsoleAttendant::~ConsoleAttendant() { clear_line(); }

void ConsoleAttendant::clear_line() {
  if (line_shown_) std::cerr << "\r\x1b[K" << std::flush;
  line_shown_ = false;
}

void ConsoleAttendant::show(const RecordingView& view) {
  say_what_is_urgent(view);
  if (!terminal_ || view.run == 0) return;
  const int tenth = static_cast<int>(view.reading.elapsed_s * 5);
  if (tenth == shown_tenth_ && !view.waiting_for_replug) return;
  shown_tenth_ = tenth;
  const bool urgent = !urgent_words(view).empty();
  std::cerr << "\r" << (urgent ? "\x1b[7m" : "") << live_line(view) << (urgent ? "\x1b[0m" : "")
            << "\x1b[K" << std::flush;
  line_shown_ = true;
}

void ConsoleAttendant::say_what_is_urgent(const RecordingView& view) {
  const std::string sentence = urgent_sentence(view);
  const bool anew = sentence != urgent_;
  urgent_ = sentence;
  const bool near = view.speed_alarm && !view.speed_alarm->over;
  if (terminal_ && near && !near_) std::cerr << '\a' << std::flush;  // once; above it, on and on
  near_ = near;
  if (sentence.empty()) return;
  if (anew) {
    clear_line();
    std::cerr << sentence << "\n";
  }
  constexpr double kRingEveryS = 1;
  const double now = view.reading.elapsed_s;
  if (!terminal_ || (!anew && now >= rung_s_ && now < rung_s_ + kRingEveryS)) return;
  std::cerr << '\a' << std::flush;
  rung_s_ = now;
}

bool ConsoleAttendant::wants_stop() {
  if (SignalWatch::stop_asked()) return true;
  if (!options_.keys || !input_waits()) return false;
  char typed[256];
  const ssize_t size = ::read(STDIN_FILENO, typed, sizeof typed);
  if (size <= 0) options_.keys = false;  // the terminal is gone; signals still work
  for (ssize_t i = 0; i < size; ++i) {
    if (typed[i] != '\n') {
      if (typed_.size() < sizeof typed) typed_ += typed[i];
      continue;
    }
    const bool stop = typed_ == "s" || typed_ == "S" || options_.enter_stops;
    typed_.clear();
    if (stop) return true;
    clear_line();
    std::cerr << kHowToStop;
  }
  return false;
}

bool ConsoleAttendant::cell_is_free(const RestMean& rest) {
  if (options_.yes) return true;
  if (!at_terminal()) return true;  // nobody to ask, and the count agrees with the zero before
  clear_line();
  return ask_yes(
      fmt::format("The shaft is at rest and the load cell reads {:.0f} counts. Is it free "
                  "of load, so that this is its zero after the run?",
                  rest.mean_counts));
}

}  // namespace loadline
