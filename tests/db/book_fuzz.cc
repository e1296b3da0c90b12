// Any book: opening, listing, checking and exporting it end in an answer or in a fault that a
// person can read.
#include "db/basis/error.h"
#include "tests/db/hostile_book.h"

namespace {

using namespace loadline;

// Whatever a page holds, an Error that is meant for people is all that may come out.
void tolerate(const std::function<void()>& work) {
  try {
    work();
  } catch (const Error& error) {
    testing::require_sentence(error.what());
  }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  static const std::string path = testing::fuzz_folder() + "/hostile.book";
  testing::write_hostile_book(path, data, size);
  tolerate([] { testing::read_everything(Book::open(path, Book::Mode::kRead), tolerate); });
  tolerate([] {
    Book book = Book::open(path, Book::Mode::kWrite);
    Part belt;
    belt.kind = PartKind::kBelt;
    belt.name = "fuzz";
    book.add(belt);
  });
  return 0;
}
