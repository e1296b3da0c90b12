// Runs a program of ours as a person would and catches what it says.
#pragma once

#include <sys/wait.h>

#include <cstdio>
#include <nlohmann/json.hpp>
#include <string>

#include "tests/support/scratch.h"

namespace loadline::testing {

struct Outcome {
  int status = -1;  ///< exit status, or 128 + signal
  std::string out, err;
  nlohmann::json json() const { return nlohmann::json::parse(out); }
};

/// `words` is a shell command line after the program; `before` goes in front of it ("ulimit …;").
inline Outcome run_program(const Scratch& scratch, const std::string& program,
                           const std::string& words, const std::string& before = "") {
  const std::string out = scratch.path("stdout.txt"), err = scratch.path("stderr.txt");
  const std::string command = "cd '" + scratch.folder() + "' && " + before + " '" + program + "' " +
                              words + " >'" + out + "' 2>'" + err + "' </dev/null";
  const int status = std::system(command.c_str());
  return {WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status), bytes_of(out),
          bytes_of(err)};
}

}  // namespace loadline::testing
