// A session that compares belts: which belt on which pulley, in what order, how often; and how far
// it has come.
//
// The order is random, so that what changes during the session (warming, voltage, the hand that
// tightens) spreads over all belts alike; pulleys are blocks, because changing one is laborious,
// and within a block each round holds every belt once. What is done is seen from the runs in the
// book, so a session can be interrupted anywhere and nothing needs ticking off.
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <vector>

#include "db/basis/estimate.h"
#include "db/book.h"

namespace loadline {

struct BeltPlan {
  std::string name;
  std::string machine, motor;  ///< names; the motor may be empty
  std::string hand_pulley;     ///< may be empty
  std::vector<std::string> belts;
  std::vector<std::string> motor_pulleys;  ///< one empty name when none was given
  int repeats = 3;
  std::uint64_t seed = 0;
  std::string made_utc;

  struct Step {
    std::string belt;
    std::string motor_pulley;
    int round = 0;  ///< of its block, from 1
  };
  std::vector<Step> steps;  ///< in the order in which they are to be done
};

/// Fills `steps` by the seed.
void draw_order(BeltPlan& plan);

/// The document "plan/NAME" and back. load_plan: Error(kInput) that lists the plans when there is
/// no such plan; an empty name means the only one.
void keep_plan(Book& book, const BeltPlan& plan);
BeltPlan load_plan(const Book& book, const std::string& name);

/// A step with what has been recorded for it so far.
struct StepState {
  BeltPlan::Step step;
  std::int64_t slip_check = 0;  ///< latest usable slip check of this step, 0 for none
  std::int64_t top_speed = 0;   ///< the run that completes the step, 0 while it is to be done
};
/// Matches the book's runs since the plan was made, in order: a top-speed run with the step's belt,
/// pulleys and machine and a slip check completes the first such step that is open.
std::vector<StepState> progress(const Book& book, const BeltPlan& plan);
/// The first step that is to be done.
std::optional<std::size_t> next_step(const std::vector<StepState>& states);

/// How well a top speed repeats, from runs of one belt on one pulley: pooled standard deviation in
/// per cent, of all such runs as recorded (compare_belts corrects for the supply and refuses runs
/// before it judges the same). Empty while no belt has been run twice.
struct Repeatability {
  double percent = 0;
  int degrees_of_freedom = 0;
};
std::optional<Repeatability> repeatability(const Book& book, std::int64_t machine);

/// Top speed of a run in rpm as far as planning needs it: highest mean over a second, of the hand
/// wheel, else of the motor. Empty when nothing turned.
std::optional<double> rough_top_speed(const Book& book, const Run& run);

}  // namespace loadline
