// Words for a command that a person is to type.
#pragma once

#include <string>

namespace loadline {

/// A word as a shell takes it, quoted where it must be.
std::string shell_word(const std::string& word);

}  // namespace loadline
