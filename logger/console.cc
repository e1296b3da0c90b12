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
  std::string line = fmt::format("{:6.1f} s", now.elapsed_s);
  const auto speed = [](const std::optional<double>& rpm) {
    return rpm ? grouped(*rpm) + " rpm" : std::string("– rpm");
  };
  if (now.motor_rpm || !now.handwheel_rpm) line += "   " + speed(now.motor_rpm);
  if (now.handwheel_rpm) line += "   hand wheel " + speed(now.handwheel_rpm);
  line += "   " + (now.torque_nm || !now.torque_counts ? quantity(now.torque_nm, "{:.3f}", "N·m")
                                                       : grouped(*now.torque_counts) + " counts");
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
  if (view.standstill_too_long) line += "   HELD TOO LONG: RELEASE OR SWITCH OFF";
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
  if (view.standstill_too_long && !warned_) {
    clear_line();
    std::cerr << "The motor is held at standstill under voltage and heats up within seconds: "
                 "release the brake or switch off.\a\n";
    warned_ = true;
  }
  if (!view.standstill_too_long) warned_ = false;
  if (!terminal_ || view.run == 0) return;
  const int tenth = static_cast<int>(view.reading.elapsed_s * 5);
  if (tenth == shown_tenth_ && !view.waiting_for_replug) return;
  shown_tenth_ = tenth;
  std::cerr << "\r" << live_line(view) << "\x1b[K" << std::flush;
  line_shown_ = true;
}

bool ConsoleAttendant::wants_stop() {
  if (SignalWatch::stop_asked()) return true;
  if (!options_.keys || !input_waits()) return false;
  char typed[256];
  const ssize_t size = ::read(STDIN_FILENO, typed, sizeof typed);
  if (size <= 0) options_.keys = false;  // the terminal is gone; signals still work
  return size > 0;
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
