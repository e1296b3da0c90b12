#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <filesystem>

#include "db/schema/schema.h"
#include "db/verbs/verbs.h"

namespace loadline {
namespace {

enum class Found { kNothing, kBook, kOlderBook };

// A book of the current layout is opened for reading only, so that it stays as it is.
Found found_at(const std::string& path) {
  std::error_code ignored;
  if (!std::filesystem::exists(path, ignored) || std::filesystem::file_size(path, ignored) == 0)
    return Found::kNothing;
  try {
    Book::open(path, Book::Mode::kRead);
    return Found::kBook;
  } catch (const Error&) {
    return Found::kOlderBook;  // or no book at all, which the next opening says
  }
}

std::string sentence(Found found, const std::string& path) {
  constexpr const char* kNext = "Next: loadline-db add motor NAME --rated-v 230 …";
  if (found == Found::kNothing) return fmt::format("Made the book {}. {}", path, kNext);
  if (found == Found::kBook)
    return fmt::format(
        "The book {} exists already and was left untouched; 'loadline-db list' shows what is in "
        "it. For a new one give another name: loadline-db init --book FILE",
        path);
  return fmt::format(
      "The book {} exists already; it was brought up to date, with all that is in "
      "it.",
      path);
}

int run_init(const Arguments& arguments) {
  const std::string path = arguments.book_path();
  const Found found = found_at(path);
  if (found != Found::kBook) Book::open(path, Book::Mode::kCreate);
  say(arguments, sentence(found, path));
  if (arguments.json())
    print_json(
        {{"book", path}, {"made", found == Found::kNothing}, {"layout", current_schema_version()}});
  return 0;
}

}  // namespace

Verb init_verb() {
  Verb verb{"init",
            "",
            "make an empty book, or bring an older one up to date",
            "A book that is there already keeps everything in it.",
            "loadline-db init --book bench.book",
            0,
            boost::program_options::options_description("Options"),
            run_init};
  add_common_options(verb.options);
  return verb;
}

}  // namespace loadline
