// loadline-fit: from the book to an answer.
#include "db/basis/command_line.h"
#include "db/care/evening_words.h"
#include "fit/verbs/belts/belt_verbs.h"
#include "fit/verbs/drive/drive_verb.h"
#include "fit/verbs/verbs.h"

int main(int argc, char** argv) {
  loadline::Program program;
  program.name = "loadline-fit";
  program.summary = "fits motor and drag curves and answers the drive questions";
  program.description =
      "Reads the runs in the book, fits torque over speed for motors and drag over speed for\n"
      "machines with 95 % intervals, keeps the curves in the book, and answers from them which\n"
      "motor, pulley and belt belong together.";
  program.cautions =
      "Cautions: the motors run on mains voltage, belts and needles move, and a held rotor "
      "overheats\n"
      "in seconds. Follow your local electrical code; leave mains wiring to licensed people.";
  program.verbs.push_back(loadline::motor_verb());
  program.verbs.push_back(loadline::drag_verb());
  program.verbs.push_back(loadline::belts_verb());
  program.verbs.push_back(loadline::choose_verb());
  program.verbs.push_back(loadline::drive_verb());
  program.verbs.push_back(loadline::groove_verb());
  program.verbs.push_back(loadline::length_verb());
  program.verbs.push_back(loadline::tension_verb());
  program.verbs.push_back(loadline::history_verb());
  program.verbs.push_back(loadline::report_verb());
  program.bare = loadline::evening_of_book;
  return loadline::run_program(program, argc, argv);
}
