// A book in a folder of its own that goes away with it.
#pragma once

#include <optional>

#include "db/book.h"
#include "tests/support/scratch.h"

namespace loadline::tests {

class ScratchBook {
 public:
  ScratchBook() : book_(Book::open(folder_.path("scratch.book"), Book::Mode::kCreate)) {}
  Book& book() { return book_; }
  const Book& book() const { return book_; }

 private:
  testing::Scratch folder_;  ///< outlives the book
  Book book_;
};

}  // namespace loadline::tests
