#include <charconv>

#include <fmt/format.h>

#include "db/book.h"
#include "fit/verbs/verbs.h"

namespace loadline {

std::vector<std::int64_t> whole_numbers(const Arguments& arguments, const std::string& option) {
  std::vector<std::int64_t> numbers;
  for (const std::string& word : arguments.texts(option)) {
    std::int64_t number = 0;
    const auto [end, fault] = std::from_chars(word.data(), word.data() + word.size(), number);
    if (fault != std::errc() || end != word.data() + word.size())
      throw Error(Fault::kInput,
                  fmt::format("--{} takes run numbers; '{}' is none.", option, word));
    numbers.push_back(number);
  }
  return numbers;
}

void require_ended(const Book& book, const std::vector<std::int64_t>& runs) {
  for (const std::int64_t run : runs)
    if (book.run(run).state == RunState::kOpen)
      throw Error(Fault::kInput,
                  fmt::format("run {} is still being recorded; wait for its end, or add --dry to "
                              "look at it so far.",
                              run));
}

}  // namespace loadline
