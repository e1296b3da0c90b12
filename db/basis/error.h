// One error type for the whole of Loadline, sorted by who must act.
//
// Every message is one sentence (or two) that says what happened, where, and what to do next; it
// reaches the person unchanged, and its kind becomes the exit status.
#pragma once

#include <stdexcept>
#include <string>

namespace loadline {

/// Who must act. The numbers are the exit statuses of the programs.
enum class Fault {
  kAnswerNo = 1,  ///< the question was understood and answered 'no' (does not fit, not comparable)
  kInput = 2,     ///< the caller: wrong usage, unknown name, a file that does not read
  kRig = 3,       ///< the bench: port missing, line garbled, rig silent
  kBook = 4,      ///< the book: not a book, locked, too new, disk full, damaged
};

/// Thrown across folders unchanged; caught once, in run_program().
class Error : public std::runtime_error {
 public:
  Error(Fault fault, const std::string& sentence) : std::runtime_error(sentence), fault_(fault) {}
  Fault fault() const { return fault_; }
  int exit_status() const { return static_cast<int>(fault_); }

 private:
  Fault fault_;
};

}  // namespace loadline
