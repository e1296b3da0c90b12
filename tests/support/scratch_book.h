// A book in a folder of its own that goes away with it.
#pragma once

#include <stdlib.h>

#include <filesystem>
#include <optional>
#include <stdexcept>
#include <string>

#include "db/book.h"

namespace loadline::tests {

class ScratchBook {
 public:
  ScratchBook() {
    std::string name = (std::filesystem::temp_directory_path() / "loadline-XXXXXX").string();
    if (mkdtemp(name.data()) == nullptr) throw std::runtime_error("no folder for a scratch book");
    folder_ = name;
    book_ = Book::open((folder_ / "scratch.book").string(), Book::Mode::kCreate);
  }
  ~ScratchBook() {
    book_.reset();
    std::error_code ignored;
    std::filesystem::remove_all(folder_, ignored);
  }
  ScratchBook(const ScratchBook&) = delete;
  ScratchBook& operator=(const ScratchBook&) = delete;

  Book& book() { return *book_; }
  const Book& book() const { return *book_; }

 private:
  std::filesystem::path folder_;
  std::optional<Book> book_;
};

}  // namespace loadline::tests
