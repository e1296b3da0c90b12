// How long the drag of a machine takes from its coast-downs, in a running program: readings out of
// the book, models compared, intervals.
//   coast_pair BOOK MACHINE   prints the seconds of one fit, the quickest within a second
#include <algorithm>
#include <chrono>
#include <cstdio>
#include <string>

#include "db/book.h"
#include "fit/drags/drag_fit.h"

using namespace loadline;

int main(int argc, char** argv) {
  if (argc < 3) return std::fprintf(stderr, "coast_pair BOOK MACHINE\n"), 2;
  const Book book = Book::open(argv[1], Book::Mode::kRead);
  const Part machine = book.get(PartKind::kMachine, argv[2]);
  double least = 1e9, sum = 0;
  while (sum < 1) {
    const auto began = std::chrono::steady_clock::now();
    const DragFit fit = fit_drag(book, machine);
    const std::chrono::duration<double> took = std::chrono::steady_clock::now() - began;
    if (!fit.c0.value) return std::fprintf(stderr, "coast_pair: no drag\n"), 1;
    least = std::min(least, took.count());
    sum += took.count();
  }
  std::printf("%.6f\n", least);
  return 0;
}
