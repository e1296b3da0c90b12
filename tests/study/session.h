// One simulated evening on the bench, written into a book as the logger would write it, with the
// truth kept beside. What a study of coverage draws from.
//
// Every session has its own motor, machine, mains, instruments and errors of calibration, drawn
// from its seed; only what a bench would record reaches the book.
#pragma once

#include <cstdint>
#include <string>
#include <vector>

#include "db/book.h"
#include "firmware-protocol/simrig/play.h"
#include "tests/support/scratch_book.h"

namespace loadline::study {

/// The kinds of session that are studied.
enum class Kind { kBrake, kCoastPair, kSpinUp, kDriven };
const char* kind_name(Kind kind);

/// One run as it was played.
struct PlayedRun {
  std::int64_t run = 0;
  simrig::Scenario scenario;
  simrig::Recording recording;
};

/// Holds its book, which goes away with it.
class Session {
 public:
  /// `overrides` ("cell.drift_counts_per_min=0") win over everything drawn; they show what one
  /// effect does.
  Session(Kind kind, std::uint64_t seed, const std::vector<std::string>& overrides = {});

  Book& book() { return scratch_.book(); }
  const Book& book() const { return scratch_.book(); }
  const std::vector<PlayedRun>& runs() const { return runs_; }
  Part motor() const;
  Part machine() const;

 private:
  simrig::Scenario draw(Kind kind, std::uint64_t seed);
  void make_book(const simrig::Scenario& scenario);
  void make_calibration(const simrig::Scenario& scenario, std::uint64_t seed);
  void play(const simrig::Scenario& scenario, std::uint64_t seed, Run run);
  void play_all(Kind kind, std::uint64_t seed);

  std::vector<std::string> overrides_;
  tests::ScratchBook scratch_;
  std::int64_t rig_ = 0, motor_ = 0, machine_ = 0;
  std::vector<PlayedRun> runs_;
};

}  // namespace loadline::study
