#include "db/basis/command_line.h"
#include "logger/cautions.h"
#include "logger/verbs/verbs.h"

int main(int argc, char** argv) {
  using namespace loadline;
  const Program program{
      "loadline-logger",
      "from the rig's line into the book",
      "Finds the rig, checks it, calibrates its load cell, and records runs into the book.",
      general_cautions(),
      {ports_verb(), probe_verb(), zero_verb(), calibrate_verb(), plan_verb(), record_verb(),
       watch_verb()}};
  return run_program(program, argc, argv);
}
