// Readings typed one by one: what a person types, with the slips that people make.
#include "db/exchange/typed_points.h"

#include <doctest/doctest.h>

#include <cmath>
#include <sstream>

#include "db/care/check.h"
#include "tests/support/scratch.h"

namespace loadline {
namespace {

struct Typed {
  std::vector<ImportedReading> points;
  std::string shown;
};

Typed typed(RunKind kind, const std::string& keys) {
  std::istringstream in(keys);
  std::ostringstream ask;
  Typed out;
  out.points = type_points(kind, in, ask);
  out.shown = ask.str();
  return out;
}

bool has(const std::string& text, const std::string& part) {
  return text.find(part) != std::string::npos;
}

TEST_CASE("three readings of a hand tachometer, with their mean and scatter by hand") {
  const Typed t = typed(RunKind::kTopSpeed, "1340\n1342\n1344\n\n9999\n");
  REQUIRE(t.points.size() == 3);
  CHECK(t.points[2].time_s == 3);
  CHECK(t.points[2].handwheel_rpm == 1344);
  CHECK(std::isnan(t.points[2].motor_rpm));
  CHECK(has(t.shown, "mean of 3:  handwheel_rpm 1342 (scatter 2)"));  // (−2, 0, 2): √(8/2) = 2
}

TEST_CASE("what does not read is asked for again, and the last point can be taken back") {
  const Typed t =
      typed(RunKind::kBrake, "9000 0,12\n9000\nfast 0.1\n8,500 0.1\nundo\n8500 -\n7000 .3\n");
  REQUIRE(t.points.size() == 2);
  CHECK(t.points[0].motor_rpm == 8500);
  CHECK(std::isnan(t.points[0].torque_nm));
  CHECK(t.points[1].torque_nm == 0.3);
  CHECK(t.points[1].time_s == 2);
  CHECK(has(t.shown, "2 numbers are asked for (motor_rpm torque_nm), 1 were typed"));
  CHECK(has(t.shown, "'fast' is not a number"));
  CHECK(has(t.shown, "'8,500' may be two numbers"));
}

TEST_CASE("typed points are kept raw as a steady run; nothing typed is nothing kept") {
  const testing::Scratch scratch;
  Book book = Book::open(scratch.path("a.book"), Book::Mode::kCreate);
  Run run;
  run.kind = RunKind::kSlipCheck;
  const std::int64_t id = store_points(book, typed(run.kind, "5600\n5620\n").points, run);
  CHECK(book.run(id).steady);
  CHECK(book.readings(id)[1].motor_rpm == 5620);
  CHECK(check_book(book).findings.empty());
  CHECK_THROWS_AS(store_points(book, {}, run), Error);
  CHECK_THROWS_AS(typed(RunKind::kCoastDown, "1\n"), Error);
  CHECK(book.runs().size() == 1);
}

}  // namespace
}  // namespace loadline
