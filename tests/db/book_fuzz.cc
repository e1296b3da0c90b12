// Any bytes as a book: opening, listing and checking end in an answer or in a book fault.
#include <unistd.h>

#include <cstdint>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <sstream>

#include "db/check.h"
#include "db/exchange/csv_out.h"
#include "db/exchange/shown.h"

namespace {

using namespace loadline;

const std::string& path() {
  // Never destroyed: it is needed after the last of the ordinary statics has gone.
  static const auto* const name = new std::string(std::filesystem::temp_directory_path() /
                                                  ("loadline-fuzz-" + std::to_string(getpid())));
  return *name;
}

struct RemoveAtExit {
  ~RemoveAtExit() {
    for (const char* end : {"", "-wal", "-shm", "-journal"}) unlink((path() + end).c_str());
  }
} g_remove_at_exit;

// Whatever a page holds, an Error that is meant for people is all that may come out.
template <typename Work>
void tolerate(Work work) {
  try {
    work();
  } catch (const Error&) {
  }
}

void look_at_everything(const Book& book) {
  tolerate([&] { check_book(book); });
  std::ostringstream out;
  for (const PartKind kind : all_part_kinds()) tolerate([&] { export_parts(book, kind, out); });
  tolerate([&] { export_runs(book, out); });
  tolerate([&] { export_curves(book, out); });
  for (const std::int64_t run : {1, 2, 3}) tolerate([&] { export_run(book, run, out); });
  tolerate([&] {
    const PartNames names(book);
    for (const StoredCurve& curve : book.curves()) curve_json(curve, names);
  });
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  for (const char* end : {"-wal", "-shm", "-journal"}) unlink((path() + end).c_str());
  std::ofstream(path(), std::ios::binary | std::ios::trunc)
      .write(reinterpret_cast<const char*>(data), static_cast<std::streamsize>(size));
  tolerate([] { look_at_everything(Book::open(path(), Book::Mode::kRead)); });
  tolerate([] {
    Book book = Book::open(path(), Book::Mode::kWrite);
    Part belt;
    belt.kind = PartKind::kBelt;
    belt.name = "fuzz";
    book.add(belt);
  });
  return 0;
}
