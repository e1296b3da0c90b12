// A curve that does not describe its runs is no answer, and nothing is built on it.
#include <doctest/doctest.h>

#include "db/basis/error.h"
#include "fit/curves/curve.h"

using namespace loadline;

TEST_CASE("a stored curve that was found wanting is refused with its name and its reason") {
  StoredCurve stored;
  stored.of_machine = true;
  stored.details_json = R"({"described": false, "not_described": "the runs disagree"})";
  try {
    require_described(stored, "machine 'Wren'");
    FAIL("not refused");
  } catch (const Error& error) {
    CHECK(error.exit_status() == 1);
    const std::string sentence = error.what();
    CHECK(sentence.find("machine 'Wren'") != std::string::npos);
    CHECK(sentence.find("the runs disagree") != std::string::npos);
    CHECK(sentence.find("loadline-fit drag") != std::string::npos);
  }
}

TEST_CASE("curves of before, sound ones and details that are no object pass") {
  for (const char* details :
       {"{}", R"({"described": true})", "[]", R"({"described": "no"})", "x"}) {
    StoredCurve stored;
    stored.details_json = details;
    CHECK_NOTHROW(require_described(stored, "motor 'Heron'"));
  }
}
