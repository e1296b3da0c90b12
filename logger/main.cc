#include <cstdio>
#include <new>

#include "db/basis/command_line.h"
#include "logger/cautions.h"
#include "logger/verbs/verbs.h"

int main(int argc, char** argv) try {
  using namespace loadline;
  const Program program{
      "loadline-logger",
      "from the rig's line into the book",
      "Finds the rig, checks it, calibrates its load cell, and records runs into the book.",
      general_cautions(),
      {ports_verb(), probe_verb(), zero_verb(), calibrate_verb(), plan_verb(), record_verb(),
       watch_verb()}};
  return run_program(program, argc, argv);
} catch (const std::bad_alloc&) {  // before or after what run_program() looks after
  std::fputs("loadline-logger: out of memory; close other programs.\n", stderr);
  return static_cast<int>(loadline::Fault::kInput);
}
