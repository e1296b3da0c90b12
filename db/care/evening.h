// Where the evening stands: what a question needs before it can be answered, and what of it the
// book holds.
#pragma once

#include <array>
#include <memory>
#include <string>
#include <vector>

#include "db/book.h"

namespace loadline {

/// What somebody came to the bench to know.
enum class Question {
  kMotor,    ///< what does this motor give?
  kMachine,  ///< how hard does this machine turn?
  kBelts,    ///< which belt wastes least on this machine?
  kChoice,   ///< which motor, pulleys and belt belong on this machine?
};
/// In the order in which a person sees them.
inline constexpr std::array kQuestions = {Question::kMotor, Question::kMachine, Question::kBelts,
                                          Question::kChoice};
/// "motor", "machine", "belts", "choice".
const char* question_name(Question question);

/// One thing that the answer needs. `what` is one of
///   rig, calibration                   the bench
///   motor, machine, pulleys, belts     parts to be entered
///   brake, coast-down, disc, top-speed runs to be recorded ("disc": a coast-down with a known
///                                      inertia added)
///   motor-curve, drag-curve            fits, of all usable runs that there are
struct EveningStep {
  std::string what;
  std::string subject;  ///< name of the part that it is about; empty where there is none yet
  bool done = false;
  bool needed = true;  ///< false: the answer can be had without, but is better with it
};

/// The runs of a book, read once for all questions. The book must outlive it.
class Evening {
 public:
  explicit Evening(const Book& book);
  ~Evening();
  Evening(const Evening&) = delete;
  Evening& operator=(const Evening&) = delete;

  /// The steps to an answer, in the order in which they are done. Without a subject (a motor, or
  /// for the other questions a machine) only that part is missing.
  std::vector<EveningStep> steps_to(Question question, const Part* subject) const;

 private:
  std::unique_ptr<const class EveningHoldings> holdings_;
};

/// The first step that is needed and not done; null when the question can be answered.
const EveningStep* next_step(const std::vector<EveningStep>& steps);

/// Whether fits use this run: it has ended, and nobody has put it aside.
bool is_usable(const Run& run);

}  // namespace loadline
