#include "db/care/evening_words.h"
#include "db/verbs/verbs.h"

int main(int argc, char** argv) {
  using namespace loadline;
  const Program program{
      "loadline-db",
      "keeps the book of a motor bench",
      "The book is one SQLite file that holds rigs, motors, machines, pulleys, belts, every run "
      "that was measured on them and every curve that was fitted. Runs are never altered; any "
      "SQLite program can read them (view 'reading').",
      "",
      {init_verb(), add_verb(), set_verb(), join_verb(), list_verb(), show_verb(), import_verb(),
       export_verb(), merge_verb(), backup_verb(), check_verb()},
      evening_of_book};
  return run_program(program, argc, argv);
}
