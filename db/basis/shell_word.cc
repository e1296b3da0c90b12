#include "db/basis/shell_word.h"

#include <algorithm>
#include <cctype>

namespace loadline {

std::string shell_word(const std::string& word) {
  const auto plain = [](char c) {
    return std::isalnum(static_cast<unsigned char>(c)) ||
           std::string("._-/+:,@%").find(c) != std::string::npos;
  };
  if (!word.empty() && word[0] != '-' && std::all_of(word.begin(), word.end(), plain)) return word;
  std::string quoted = "'";
  for (const char c : word) quoted += c == '\'' ? "'\\''" : std::string(1, c);
  return quoted + "'";
}

}  // namespace loadline
