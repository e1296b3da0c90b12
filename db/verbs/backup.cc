#include "db/care/backup.h"

#include <fmt/format.h>
#include <nlohmann/json.hpp>

#include <filesystem>

#include "db/basis/progress.h"
#include "db/verbs/verbs.h"

namespace loadline {
namespace {

int run_backup(const Arguments& arguments) {
  const std::string& path = arguments.name(0, "the file to write");
  const Book book = Book::open(arguments.book_path(), Book::Mode::kRead);
  std::optional<Progress> progress;
  backup_book(book, path, [&](double done, double in_all) {
    if (!progress) progress.emplace("backup", in_all);
    progress->at(done);
  });
  progress.reset();
  const auto bytes = std::filesystem::file_size(path);
  say(arguments, fmt::format("Copied {} to {} ({:.1f} MB), checked.", book.path(), path,
                             static_cast<double>(bytes) / 1e6));
  if (arguments.json()) print_json({{"file", path}, {"bytes", bytes}});
  return 0;
}

}  // namespace

Verb backup_verb() {
  Verb verb{
      "backup",
      "FILE",
      "copy the whole book, also while a run is being recorded",
      "Copying the file itself while a program writes to it can give a book that is damaged; "
      "this never does, and does not hold the recorder up. A run that is being recorded is in "
      "the copy as far as it had come, as 'interrupted'. A file that is there is never "
      "replaced.",
      "loadline-db backup /media/stick/bench-2026-11-25.book",
      1,
      boost::program_options::options_description("Options"),
      run_backup};
  add_common_options(verb.options);
  return verb;
}

}  // namespace loadline
