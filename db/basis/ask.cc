#include "db/basis/ask.h"

#include <fmt/format.h>
#include <unistd.h>

#include <iostream>

namespace loadline {
namespace {

bool at_terminal() { return isatty(STDIN_FILENO) != 0 && isatty(STDERR_FILENO) != 0; }

// Odd input is more often a slip than meant, so the empty answer is no.
bool says_yes(const std::string& question) {
  std::cerr << question << " [y/N] " << std::flush;
  std::string answer;
  return std::getline(std::cin, answer) && !answer.empty() &&
         (answer.front() == 'y' || answer.front() == 'Y');
}

}  // namespace

void add_yes_option(boost::program_options::options_description& options) {
  options.add_options()("yes", boost::program_options::bool_switch(),
                        "what looks odd is meant: do not ask, do not refuse");
}

void require_meant(const Arguments& arguments, const std::string& oddity) {
  if (arguments.flag("yes")) return;
  if (!at_terminal()) throw Error(Fault::kInput, oddity + "; if it is meant, say so with --yes.");
  warn(oddity + ".");
  if (!says_yes("Is it meant?")) throw Error(Fault::kInput, "nothing was changed in the book.");
}

}  // namespace loadline
