// Any book merged into a sound one: what was in the sound book stays as it was, it is sound
// afterwards, and a second merge changes nothing; a merge that gives up says why.
#include "db/exchange/merge.h"

#include <algorithm>
#include <cstdio>
#include <cstdlib>
#include <set>

#include "db/care/check.h"
#include "tests/db/hostile_book.h"

namespace {

using namespace loadline;

void require(bool holds, const char* what) {
  if (holds) return;
  std::fprintf(stderr, "does not hold: %s\n", what);
  std::abort();
}

// The part that both books have may gain fields that it lacked, behind its name and its (empty)
// note; everything else that was there is there unchanged.
bool is_kept(const Book& book, const std::vector<std::string>& before) {
  const std::vector<std::string> rows = testing::rows_as_text(book);
  const std::set<std::string> after(rows.begin(), rows.end());
  return std::all_of(before.begin(), before.end(), [&](const std::string& row) {
    if (row.rfind("machine|", 0) != 0) return after.count(row) > 0;
    const std::string named = row.substr(0, row.find("||"));
    return after.lower_bound(named) != after.end() &&
           after.lower_bound(named)->rfind(named, 0) == 0;
  });
}

void require_sound(const Book& book) {
  const CheckResult check = check_book(book);
  for (const Finding& finding : check.findings)
    std::fprintf(stderr, "%s: %s\n", finding.where.c_str(), finding.what.c_str());
  require(check.findings.empty(), "the book is sound after the merge");
}

// Nothing when the merge gave up.
std::optional<MergeResult> merge(Book& into, const Book& from) {
  try {
    MergeResult result = merge_books(into, from);
    for (const auto& refusal : result.refused) testing::require_sentence(refusal.reason);
    for (const auto& difference : result.differences) testing::require_sentence(difference);
    return result;
  } catch (const Error& error) {
    testing::require_sentence(error.what());
    return std::nullopt;
  }
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  static const std::string hostile = testing::fuzz_folder() + "/hostile.book";
  static const std::string sound = testing::fuzz_folder() + "/sound.book";
  testing::write_hostile_book(hostile, data, size);
  testing::write_sound_book(sound);
  Book into = Book::open(sound, Book::Mode::kWrite);
  const std::vector<std::string> before = testing::rows_as_text(into);
  std::optional<Book> from;
  try {
    from.emplace(Book::open(hostile, Book::Mode::kRead));
  } catch (const Error& error) {
    testing::require_sentence(error.what());
    return 0;
  }
  const auto first = merge(into, *from);
  require(is_kept(into, before), "what was in the book stays as it was");
  require_sound(into);
  if (!first) return 0;
  const std::vector<std::string> once = testing::rows_as_text(into);
  const auto again = merge(into, *from);
  require(again && !again->changed(), "merging twice changes nothing");
  require(testing::rows_as_text(into) == once, "merging twice changes no row");
  return 0;
}
