#include <fmt/format.h>

#include <filesystem>

#include "db/schema/schema.h"
#include "db/verbs/verbs.h"

namespace loadline {
namespace {

int run_init(const Arguments& arguments) {
  const std::string path = arguments.book_path();
  std::error_code ignored;
  const bool there = std::filesystem::exists(path, ignored);
  const Book book = Book::open(path, Book::Mode::kCreate);
  say(arguments, fmt::format("{} {}. Next: loadline-db add motor NAME --rated-v 230 …",
                             there ? "The book was there already:" : "Made the book", path));
  if (arguments.json())
    print_json({{"book", path}, {"made", !there}, {"layout", current_schema_version()}});
  return 0;
}

}  // namespace

Verb init_verb() {
  Verb verb{"init",
            "",
            "makes an empty book, or brings an older one up to date",
            "A book that is there already keeps everything in it.",
            "loadline-db init --book bench.book",
            0,
            boost::program_options::options_description("Options"),
            run_init};
  add_common_options(verb.options);
  return verb;
}

}  // namespace loadline
