// The terminal at the bench: the live line, the keys that stop a run, questions.
#pragma once

#include <string>

#include "logger/recording.h"

namespace loadline {

/// Ctrl-C, a closed terminal and `kill` ask for an orderly end instead of ending the program; a
/// file-size limit becomes an error of the write. Lives as long as the recording.
class SignalWatch {
 public:
  SignalWatch();
  ~SignalWatch();
  SignalWatch(const SignalWatch&) = delete;
  SignalWatch& operator=(const SignalWatch&) = delete;
  static bool stop_asked();
};

/// Enter alone begins runs and answers questions, so it never ends one as well.
inline constexpr const char* kHowToStop = "Recording; s and Enter (or Ctrl-C) stops.\n";

/// "  12.4 s   8,210 rpm   0.142 N·m   122 W   993 samples   0 lost"
std::string live_line(const RecordingView& view);

/// `true` when a person sits at standard input and standard error.
bool at_terminal();

/// A question on standard error, its answer from standard input; the empty answer is yes.
/// False as well at the end of input.
bool ask_yes(const std::string& question);

/// Waits for Enter. False when the person types something else (q) or input ends.
bool wait_for_enter(const std::string& prompt);

struct ConsoleOptions {
  bool yes = false;          ///< answers every question with yes
  bool keys = true;          ///< s and Enter stops; off when standard input is the port
  bool enter_stops = false;  ///< Enter alone does as well: where nothing was begun by it
};

class ConsoleAttendant : public Attendant {
 public:
  explicit ConsoleAttendant(const ConsoleOptions& options);
  ~ConsoleAttendant() override;
  void show(const RecordingView& view) override;
  bool wants_stop() override;
  bool cell_is_free(const RestMean& rest) override;

 private:
  void clear_line();
  void say_what_is_urgent(const RecordingView& view);

  ConsoleOptions options_;
  SignalWatch signals_;
  bool terminal_;
  bool line_shown_ = false;
  std::string typed_;   ///< since the last Enter
  std::string urgent_;  ///< what was last said aloud
  bool near_ = false;   ///< within a tenth of a speed's limit
  double rung_s_ = -1;  ///< when the bell rang last, by the rig's clock
  int shown_tenth_ = -1;
};

}  // namespace loadline
