// "Fit now": answers from loadline-fit, which runs beside the recorder and never in it.
//
// One answer at a time, in a process of its own that is given the processor only while nobody else
// wants it, and bounded in time, memory and output. A thread of this class waits for it; the
// recorder's threads know nothing of it.
//
// Threads: every call may come from any thread.
#pragma once

#include <chrono>
#include <cstddef>
#include <memory>
#include <string>

#include "db/basis/estimate.h"

namespace loadline {

class Answers {
 public:
  struct Limits {
    std::chrono::seconds time{120};
    std::size_t output = 2 << 20;    ///< bytes
    std::size_t memory = 2UL << 30;  ///< bytes of address space
  };

  /// `program` is loadline-fit; empty: the one beside this program, else the one in the search
  /// path.
  explicit Answers(std::string book, std::string program = {});
  Answers(std::string book, std::string program, const Limits& limits);
  ~Answers();  ///< ends what still runs
  Answers(const Answers&) = delete;
  Answers& operator=(const Answers&) = delete;

  /// {"question": "motor"|"machine"|"belts"|"choice", "subject": NAME, "aims": {"least-rpm":
  /// 1200}}; aims may be texts with a unit. With "glance": [RUN…] (motor, machine) it is about
  /// these runs, one that is being recorded with what of it is committed, and nothing is stored.
  /// Error(kInput) for anything else, and while one answer is still being worked out.
  void ask(const Json& wish);

  /// {"number": of the answer, 0 before any; "state": "none"|"working"|"ready"; "question",
  /// "subject"}.
  Json status() const;
  /// The latest answer: {"number", "question", "subject", "status": the program's exit status or
  /// null where it was ended, "answer": its document or null, "told": what it said besides}.
  Json document() const;
  /// Waits until nothing is being worked out.
  void settle() const;

 private:
  struct State;
  std::unique_ptr<State> state_;
};

}  // namespace loadline
