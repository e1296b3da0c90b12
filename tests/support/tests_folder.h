// Where the tests' own files lie, wherever a test is started from.
#pragma once

#include <string>

namespace loadline {

/// The folder tests/ of the source, without a slash at its end.
const std::string& tests_folder();

}  // namespace loadline
